"""What explains a measurement? Drives and laws fitted to points, and how far runs lie from what was measured."""
