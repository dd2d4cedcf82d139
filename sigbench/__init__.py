"""sigbench: an audio-interface signal test harness for the instrument repair bench."""

__version__ = "0.1.0"
