"""The command line: verbs, and nothing but the way from what was typed to the parts that do the work."""

from tailrace.cli.verbs import app, main

__all__ = ["app", "main"]
