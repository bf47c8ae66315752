"""What happened, and why a note did not sound."""
