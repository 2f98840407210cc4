"""The command line: reads files, calls the analysis, speaks to a person or a program."""
