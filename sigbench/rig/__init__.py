"""The rig itself: interface, cables and computer, and what they do to a measurement.

* `sigbench.rig.calibration`: what full scale is in volts, and whether that still holds
* `sigbench.rig.limits`: what the rig does by itself, and which readings lie too near to it
* `sigbench.rig.path`: what the computer does to the audio on its way
"""
