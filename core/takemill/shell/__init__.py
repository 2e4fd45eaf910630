"""The command line: verbs, tables for a terminal, the demo."""
