"""The ranking: a stated rule over declared records."""

import math
from itertools import combinations
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sigbench.causes.clues import CLUES, Clue
from sigbench.causes.gather import gather
from sigbench.causes.observation import Observation
from sigbench.causes.of_unit import found_cause, met
from sigbench.causes.ranking import EXPLAINS, RAILS_FIRST, rank
from sigbench.causes.records import BY_KEY, OFTEN, RECORDS
from sigbench.causes.wording import opening
from sigbench.checks.rails import measure_rails
from sigbench.errors import RequestError
from sigbench.model import Found, Rail, Unit


def seen(*names: str) -> list[Clue]:
    unknown = (*OF_ONE_CHANNEL, *(() if "tones" in names else OF_TONES))
    unknown += OF_A_LIVE_CHANNEL if "dead channel" in names else ()
    return [Clue(name, 0.999 if name in names else 0.001) for name in CLUES if name not in unknown]


OF_TONES = tuple(name for name in CLUES if name.startswith("tones "))
OF_ONE_CHANNEL = ("breaks", "clicks")  # of takes that have two it is told which one does it


OF_A_LIVE_CHANNEL = tuple(
    name
    for name in CLUES
    if "distort" in name or "half" in name or "weak" in name or "one-" in name
)


def keys(ranking) -> list[str]:
    names = {r.name: r.key for r in RECORDS}
    return [names[c.name] for c in ranking.causes]


def test_records_speak_of_known_clues_and_say_what_to_do():
    for record in RECORDS:
        assert {e.clue for e in record.effects} <= set(CLUES)
        assert len({e.clue for e in record.effects}) == len(record.effects), record.key
        assert any(e.often == "always" for e in record.effects)
        assert record.next
        assert record.caution
        assert record.source
        assert all(e.why and e.often in OFTEN for e in record.effects)
    assert len(BY_KEY) == len(RECORDS)


def test_a_healthy_unit_gives_no_cause():
    ranking = rank(seen())
    assert ranking.healthy > 0.9
    assert all(c.score < 0.1 for c in ranking.causes)


# What a repairer would say first: common practice, no source.
@pytest.mark.parametrize(
    ("key", "names"),
    [
        ("reservoir", ("hum 2x", "hum mostly 2x", "hum on every output", "distortion")),
        ("diode", ("hum 1x", "hum 2x", "hum on every output", "distortion")),
        ("sleeve", ("hum 1x", "hum mostly 1x")),
        ("ground loop", ("hum 1x", "hum mostly 1x", "hum on every output")),
        (
            "coupling lost",
            ("thin channel", "thin at one output", "weak channel", "weak at one output"),
        ),
        ("crossover", ("distortion", "worse when quiet")),
        ("jack", ("breaks in one channel",)),
        (
            "regulator joint",
            ("breaks in both channels", "fades when moved", "moved on every output"),
        ),
        ("loose sleeve", ("hum bursts", "breaks in both channels")),
        ("pot", ("crackle when turned", "worn track")),
        ("noisy", ("noise", "noise in one channel")),
        ("inverter", ("tones", "tones in series", "tones alike")),
        ("stuck", ("dead channel", "hum in one channel")),
    ],
)
def test_plain_cases_come_first(key, names):
    assert keys(rank(seen(*names)))[0] == key


@pytest.mark.parametrize(
    ("key", "volts"), [("rail low", 4.0), ("rail high", 7.6), ("rail high", 5.45)]
)
def test_no_other_reading_makes_a_wrong_rail_good(key, volts):
    """All the rest measured, and clean: what the meter shows still stands."""
    rail = (Rail("+5 V", 5.0, measured_volts=volts),)
    meter = {c.name: c for c in gather([Observation("supply", measure_rails(rail), rail)])}
    ranking = rank([meter[c.name] if meter[c.name].holds is not None else c for c in seen()])
    assert not ranking.nothing_wrong
    assert keys(ranking)[0] == key
    assert ranking.causes[0].score > 0.5


def test_a_unit_of_which_something_was_plainly_seen_is_not_called_sound_too_lightly():
    """Tones of a rail that just oscillates, at an output where two causes of tones are as likely.

    The clues are those of a circuit of `benchmarks/precision_causes.py` that got a clean bill.
    """
    there = {"tones": 0.97, "tones alike": 0.94, "rail ripple": 0.62, "tones in series": 0.05}
    measured = [n for n in CLUES if n in there or n in MEASURED_OF_TONES]
    ranking = rank([Clue(n, there.get(n, 0.02) if n in measured else None) for n in CLUES])
    assert max(cause.score for cause in ranking.causes) < ranking.healthy < 0.5
    assert not ranking.nothing_wrong
    assert keys(ranking)[:2] == ["oscillation", "inverter"]
    assert ranking.named
    said = " ".join(opening(ranking))
    assert "A unit without a fault is likelier" in said
    assert "Measure once more" in said
    assert "something is wrong" not in said


MEASURED_OF_TONES = (
    "hum 1x", "hum 2x", "tones at whole kilohertz", "weak channel", "weaker when quiet",
    "weaker when loud", "dead channel", "dead output", "thin channel", "distortion", "dc",
    "breaks in one channel", "breaks in both channels", "clicks in one channel",
    "clicks in both channels", "hum bursts", "fades when moved", "comes when tapped",
    "comes when heated", "crackle when turned", "worn track",
    "rail missing", "rail low", "rail high",
)  # fmt: skip


def test_a_high_rail_is_blamed_on_nothing_else():
    blamed = {r.key for r in RECORDS if any(e.clue == "rail high" for e in r.effects)}
    assert blamed == {"rail high"}


def test_two_faults_at_once_are_told():
    here = ("hum 2x", "hum mostly 2x", "hum on every output", "breaks in one channel")
    ranking = rank([Clue(name, 0.999) for name in here])
    assert set(ranking.together) == {"jack", "reservoir"}
    # What the other one brings speaks against neither.
    for cause in ranking.causes[:2]:
        assert not any("this cause does not do that" in text for text in cause.evidence_against)
    assert set(keys(ranking)[:2]) == {"jack", "reservoir"}


def test_what_fits_nothing_is_none_of_these():
    odd = ("dc", "tones in series", "worn track", "hum bursts", "noise", "dead output")
    ranking = rank(seen(*odd, "hum mostly 1x", "breaks in both channels", "worse when quiet"))
    assert ranking.none_of_these > 0.5
    assert all(c.score < ranking.none_of_these for c in ranking.causes)


def test_rails_come_first_until_they_are_measured():
    audio = [Clue("hum 2x", 0.99)]
    assert rank(audio).first == RAILS_FIRST
    assert rank([*audio, Clue("rail missing", 0.001)]).first is None


def test_one_clue_by_hand():
    """The rule with one clue, worked out here from the records alone."""
    from sigbench.causes import ranking as rule

    ranking = rank([Clue("hum 2x", 1.0)])

    def chance(record):
        often = {e.clue: e.often for e in record.effects}.get("hum 2x", "never")
        return OFTEN[often]

    def fit(p):
        return p**rule.SHARPNESS

    sets = {
        group: rule.TOGETHER_SHARE ** (len(group) - 1)
        * math.prod(r.weight for r in group)
        * fit(1 - math.prod(1 - chance(r) for r in group))
        for count in (1, 2, 3)
        for group in combinations(RECORDS, count)
    }
    idle = {r for r in RECORDS if chance(r) < rule.EXPLAINS}  # they hardly bring it
    by_chance = sum(v for group, v in sets.items() if len(group) == 1 and idle.issuperset(group))
    sets = {group: v for group, v in sets.items() if idle.isdisjoint(group)}
    healthy = rule.HEALTHY_WEIGHT * fit(rule.HEALTHY)
    other = rule.NONE_OF_THESE_WEIGHT * fit(rule.NONE_OF_THESE) + by_chance
    total = healthy + other + sum(sets.values())
    with_it = sum(v for group, v in sets.items() if BY_KEY["reservoir"] in group)
    assert ranking.healthy == pytest.approx(healthy / total)
    assert ranking.none_of_these == pytest.approx(other / total)
    (top,) = [c for c in ranking.causes if c.name == BY_KEY["reservoir"].name]
    assert top.score == pytest.approx(with_it / total)


@settings(max_examples=40)
@given(
    st.lists(
        st.tuples(st.sampled_from(list(CLUES)), st.floats(0, 1)),
        max_size=12,
        unique_by=lambda pair: pair[0],
    )
)
def test_scores_are_probabilities(pairs):
    ranking = rank([Clue(name, holds) for name, holds in pairs])
    for share in (ranking.healthy, ranking.none_of_these, *(c.score for c in ranking.causes)):
        assert 0 <= share <= 1 + 1e-12
        assert math.isfinite(share)
    assert ranking.healthy + ranking.none_of_these <= 1 + 1e-12
    scores = [c.score for c in ranking.causes]
    assert scores == sorted(scores, reverse=True)


@pytest.mark.parametrize(
    "names",
    [("distortion",), ("dead output",), ("tones",), ("noise", "hiss follows volume"), ("dc",),
     ("hum 1x", "hum 2x"), ("rail ripple",), ("worse when quiet",)],
)  # fmt: skip
def test_no_cause_is_named_for_which_nothing_speaks(names):
    """Without the jacks moved a dry joint is as likely as ever, but nothing points to it."""
    ranking = rank([Clue(c, 0.999 if c in names else 0.001) for c in {*names, "rail missing"}])
    assert all(cause.evidence_for for cause in ranking.named)
    for cause in ranking.causes:
        record = next(r for r in RECORDS if r.name == cause.name)
        assert any(e.clue in names and OFTEN[e.often] >= EXPLAINS for e in record.effects)
    assert set(ranking.together) <= set(keys(ranking))


CLEAN = {
    "one-sided", "worse when quiet", "weak channel", "hum 1x", "hum 2x", "rail low", "rail high",
    "rail missing", "weaker when loud", "weaker when quiet", "noise", "tones", "thin channel",
    "dead channel", "dead output", "dc", "half missing",
}  # fmt: skip


@pytest.mark.parametrize("more", [(), ("distortion alike", "distortion on every output")])
def test_loud_notes_cut_alike_in_both_channels_with_good_rails_come_from_before(more):
    here = {"distortion", *more}
    none = CLEAN | {"distortion in one channel"}
    ranking = rank([Clue(n, 0.999 if n in here else 0.001) for n in sorted(here | none)])
    assert not ranking.nothing_wrong
    assert keys(ranking)[0] == "voice"
    assert "jack" not in keys(ranking)


def test_distortion_that_no_cause_explains_is_none_of_these():
    """One channel is cut at both ends, and no weaker for it at any level."""
    here = {"distortion", "distortion in one channel"}
    none = CLEAN | {"distortion alike"}
    ranking = rank([Clue(n, 0.999 if n in here else 0.001) for n in sorted(here | none)])
    assert not ranking.nothing_wrong
    assert ranking.none_of_these > 0.5
    assert "jack" not in keys(ranking)


def test_a_clue_that_nobody_looked_for_changes_nothing():
    some = [Clue("hum 1x", 0.9)]
    assert rank([*some, Clue("dc", None)]).causes == rank(some).causes


def test_own_records_shift_the_weights_and_are_shown():
    unit = Unit("a", "b", "c", (), found=(Found("diode", "2026-01-02"),) * 3)
    hum = [Clue("hum 2x", 0.999)]
    plain, shifted = rank(hum), rank(hum, met=met([unit]))
    before, after = (
        next(c for c in r.causes if c.name == BY_KEY["diode"].name) for r in (plain, shifted)
    )
    assert after.score > 1.3 * before.score
    assert any("3 times" in reason for reason in after.evidence_for)


def test_an_unknown_cause_is_refused():
    with pytest.raises(RequestError, match="choose one of"):
        found_cause("gremlins", "2026-01-02")
    assert found_cause("other", "2026-01-02", "cracked trace").note == "cracked trace"


@pytest.mark.parametrize("record", RECORDS, ids=lambda record: record.key)
def test_every_cause_has_its_page(record):
    docs = Path(__file__).parents[2] / "docs"
    file = f"{record.key.replace(' ', '-')}.md"
    assert f"- [{record.name}](causes/{file}) (`{record.key}`)\n" in (docs / "causes.md").read_text(
        encoding="utf-8"
    )
    page = (docs / "causes" / file).read_text(encoding="utf-8")
    for part in (f"`{record.key}`", record.next, record.caution, f"Source: {record.source}."):
        assert part in page
    rows = [f"| {CLUES[e.clue][0]} | {e.often} | {e.why} |" for e in record.effects]
    assert "\n".join(rows) + "\n\n" in page  # docs/causes/make.py writes them
    assert (docs / "causes" / file).with_suffix(".png").exists()


def test_a_rail_that_the_meter_calls_missing_comes_first():
    """Whatever the sound is most like: rails first (common practice, no source)."""
    like_crossover = [
        Clue("distortion", 1.0),
        Clue("worse when quiet", 0.9),
        Clue("one-sided", 0.01),
    ]
    assert keys(rank([*like_crossover, Clue("rail missing", 0.001)]))[0] == "crossover"
    assert keys(rank([*like_crossover, Clue("rail missing", 0.999)]))[0] == "rail missing"
