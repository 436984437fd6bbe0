"""What things are: pure values without any input or output."""
