"""Rational functions of the complex frequency s: by zeros, poles and gain, and by coefficients."""
