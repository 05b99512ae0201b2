"""A page whose knobs turn: boxes tried by hand, every number from the kernel of the commands."""
