"""The counter: hot folders, drops, held folders and the notes left for people."""
