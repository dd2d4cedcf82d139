"""Causes: from the readings of several checks to what to probe next."""
