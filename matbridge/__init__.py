"""matbridge: zone sensors of a floor mat in, MIDI out."""

__version__ = "0.1.0"
