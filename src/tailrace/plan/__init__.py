"""Where workload and hardware meet: stations, and the path of each request over them, in columns."""
