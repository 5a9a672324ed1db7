"""The event loop of the compiled engine: one loop over arrays of records, for a just-in-time compiler."""
