"""Manual pages, completion for shells, and schemas for editors, made from the code itself."""
