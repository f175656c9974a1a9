"""Exact element values of each network form for a curve, a source and a load."""
