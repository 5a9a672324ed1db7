"""Throughput is bought with latency."""
