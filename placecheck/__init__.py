"""placecheck: one photo of a pinned lace closure in, millimetres and a verdict out."""

import os

# matrices here are small: threads for them only take the processors from decoding and from the networks. NumPy's
# library reads this once, when NumPy is first imported, which is never before this
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

__version__ = "0.1.0"
