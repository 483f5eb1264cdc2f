"""One structure's worker and its supervisor: threads, jobs, recovery."""
