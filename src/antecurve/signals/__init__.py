"""Test signals: what is played to a unit, and where it begins in a record."""
