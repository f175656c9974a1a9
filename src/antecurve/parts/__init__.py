"""Parts: preferred values, drawer, joined parts, how they scatter."""
