"""A request in parts waits for the slowest of them."""
