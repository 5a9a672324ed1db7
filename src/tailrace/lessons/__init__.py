"""The lessons: short series of runs that show one thing each, and what is claimed of them."""

LESSONS = {
    "small-blocks": "Why spinning drives collapse at small block sizes",
    "queue-depth": "Throughput is bought with latency",
    "tail": "Why the p99 grows before the mean does",
    "sharing": "One large stream beside small requests",
    "pooling": "One queue for all servers, or a queue for each",
    "fan-out": "A request in parts waits for the slowest of them",
}
"""The title of each lesson, by the name that it has on the command line."""
