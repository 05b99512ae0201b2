"""The kernel: one lumped circuit, many loads. Vectorised, pure, no input or output."""
