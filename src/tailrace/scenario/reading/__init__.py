"""From a file with parts and overrides to tables, or to everything that is wrong with it."""
