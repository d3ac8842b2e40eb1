"""One job's record: making it, and checking it without trusting anyone."""
