"""The command line: arguments, one API call, print or write."""
