"""What was noted: dated entries, append-only, each with its own id and its place in a hash chain."""
