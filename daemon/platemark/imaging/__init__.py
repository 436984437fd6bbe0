"""Everything that touches pixels; what a child process carries."""
