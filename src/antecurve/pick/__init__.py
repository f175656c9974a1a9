"""Preferred values, parts and joined parts, the drawer, and the search for the best pick."""
