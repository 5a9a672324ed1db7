"""The tables of a scenario file, as frozen models."""
