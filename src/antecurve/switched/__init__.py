"""One box, several curves: shared and switched positions, their parts, and the switch."""
