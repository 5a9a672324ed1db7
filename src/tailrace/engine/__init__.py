"""Who waits for whom? Engines walk the paths of a plan and observe its requests."""
