"""What a design does: error, spread, drift, loading, level, noise, waveform."""
