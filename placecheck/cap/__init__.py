"""The cap alone: its stage of the job, its advice, and its rim carried over into the closure's photo."""
