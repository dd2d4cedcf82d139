"""The bench folder: the person's records, and the audio they rest on.

`sigbench.bench.folder.Bench` is the way in; ``docs/bench-folder.md`` describes the files.

========================  =====================================================================
`sigbench.bench.folder`     units, plans, takes, runs and baselines, stored and found again
`sigbench.bench.documents`  the JSON files, which are the records
`sigbench.bench.index`      the database, which makes them quick to find
`sigbench.bench.audio`      takes as lossless files named by the hash of their content
`sigbench.bench.atomic`     files that are there whole or not at all
========================  =====================================================================
"""
