"""What people and the system start: commands, the service, the demo."""
