"""The command line: one file per command, loaded only when it is called for."""
