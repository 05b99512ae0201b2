"""One self-contained page of whatever the other commands found."""
