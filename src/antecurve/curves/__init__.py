"""Emphasis curves by time constants, the catalogue of published ones, and fits to tables."""
