"""What a sound sounds in: the partials of its notes, made when it is read."""
