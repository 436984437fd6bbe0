"""What one lab gets in one go: bag, tickets, change logs."""
