"""The network forms, one module each, behind `antecurve.synthesis.exact.exact_network`."""
