"""Playing and recording on a bench: levels, references, resistances, and the sound interface.

What the libraries of the interface print on stderr is caught in `antecurve.sound.portaudio` and
noted on the error; the command line writes such notes where it writes the details of faults.
"""
