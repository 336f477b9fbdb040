"""The commands, one module each: parse options, call, print. Each has `register(app)` and imports slow parts late."""
