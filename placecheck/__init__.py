"""placecheck: one photo of a pinned lace closure in, millimetres and a verdict out."""

__version__ = "0.1.0"
