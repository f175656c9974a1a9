"""Error, spread, drift, loading, level, noise and waveforms: functions of a design."""
