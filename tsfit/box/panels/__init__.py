"""A box of boards: what it is to be, its boards with their openings, and how a saw cuts them from sheets."""
