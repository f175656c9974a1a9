"""From the verdict to the part: a unit's circuit, what may be wrong with it, and the suspects."""
