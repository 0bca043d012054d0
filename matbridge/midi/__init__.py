"""MIDI messages and the places they go: the encoder, and one module for each kind of output."""
