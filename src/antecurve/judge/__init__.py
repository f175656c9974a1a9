"""The unit under test: captures of it, the fit of a playback model, and the verdict."""
