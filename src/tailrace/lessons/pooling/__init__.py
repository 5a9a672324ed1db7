"""One queue for all servers, or a queue for each."""
