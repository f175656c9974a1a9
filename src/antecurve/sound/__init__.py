"""Playing and recording on a bench: levels, references, resistances, and the sound interface."""
