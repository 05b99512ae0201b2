"""A finished cabinet against its plan."""
