"""The bench page: a local web page over the same library calls as the command line.

::

    serve ─► guard ─► app ─► bench, unit, measuring, ─► show, feed, compared, ─► templates, static
                             recordings, comparing,     rig_show
                             reporting, rig
                                   │
                                 desk (the one sitting, or procedure at a rig)

``serve`` starts it, ``guard`` keeps others out, ``app`` lists the addresses. A module for each kind
of page reads a request (``requests``) and calls the library; ``show`` puts records in words and
``feed`` a running take in plain objects; ``compared`` and ``drawings`` are what two stages show,
``stretch`` the sound around an event; ``rig_show`` is what a rig shows. ``talk`` is what pages that
are live and the program say to each other. ``desk`` is what the program holds while pages come and
go.
"""
