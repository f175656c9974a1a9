"""A network as elements between nodes: its symbolic solution and compiled evaluation."""
