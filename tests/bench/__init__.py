"""Figures, not verdicts: what is measured here is printed as ratios and fails nothing."""
