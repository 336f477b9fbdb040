"""What follows from a client's tape: cap, block, slack, marks on the block's dome, the closure's place."""
