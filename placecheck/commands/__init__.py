"""The commands, one module each with `register(app)`: parse options, call, print; slow parts are imported late.

What one command alone needs beside that stands in a module beside it.
"""
