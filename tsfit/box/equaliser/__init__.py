"""An equaliser before a box: its sections, what they cost, how sure that is."""
