"""What the owner can set: settings and sounds. Pure; the ground floor."""
