"""Orders: the client's tape as it was typed, whether it can be true of a head, and what is kept of it."""
