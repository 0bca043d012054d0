"""The YAML documents: schema, positions, notes, scales, chords, curves, compiling. Pure."""

import os

# pydantic looks for plugins in every package that is installed, which takes time, and what they
# would change is none of theirs to change.
os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
