"""What is one replication? Carried out, gathered, and boiled down to what is kept of it."""
