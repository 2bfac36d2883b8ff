"""The command line: a command a file. Runs without Textual."""
