"""Touches to MIDI messages: voices, holds, pressure, controls, actions, the ledger. Pure."""
