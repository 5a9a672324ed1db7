"""What does each stage cost, in seconds? Nothing here knows of queues."""
