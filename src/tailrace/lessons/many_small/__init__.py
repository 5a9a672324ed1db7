"""Many small servers, or a large one."""
