"""Circuits of an instrument's supply and output stages, with faults that are changes of parts."""
