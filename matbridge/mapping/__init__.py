"""The YAML documents: schema, positions, notes, scales, chords, curves, compiling. Pure."""
