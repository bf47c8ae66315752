"""Pictures of performances and sounds."""
