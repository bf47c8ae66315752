"""Both ends of the control socket: what may be asked, who asks it, and who answers."""
