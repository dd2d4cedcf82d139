"""Causes: from the readings of several checks to what to probe next, with reasons for and against.

::

    observation    one measurement and its place on the unit (a sequence of them comes in)
      note, idle     what is played, and what is heard while nothing is
      output         both of one jack or stereo pair; pairing: of two jacks that are a pair
      shape          the wave of a note; likeness: where two of them are the same
      hum, noise, tones, direct, level, silence, bass, distortion, contacts, pot, deeds, rails
                     one kind of evidence each: outputs or observations in, clues out
      gather         all clues of a set of observations
    clues          a statement and its probability; the list of all
    records        which cause brings which clue, how often, and why
    ranking        Bayes' rule over the records; advice: what to measure next
    of_unit        the same for runs of the bench folder; wording: in sentences
"""
