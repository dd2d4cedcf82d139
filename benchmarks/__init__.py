"""Figures that are measured by hand; each script says how it is run, and what it needs."""

import os

# As the program does for itself, before numpy is imported: see `sigbench.cli.main`.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
