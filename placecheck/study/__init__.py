"""Repeatability and reproducibility of a bench: plan, read, analyse, say and draw a gauge study."""
