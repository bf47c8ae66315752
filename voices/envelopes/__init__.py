"""How loud a voice is from its onset on, and after its release."""
