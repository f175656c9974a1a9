"""The bench on a screen: a local page over the functions of the command line."""
