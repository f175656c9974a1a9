"""antecurve."""
