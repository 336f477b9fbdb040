"""One module per step of the schema."""
