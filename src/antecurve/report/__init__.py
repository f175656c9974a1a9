"""Renders finished results: page, figures, schematic; computes nothing."""
