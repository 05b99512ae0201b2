"""From recordings at full travel to the curves over travel, and to how far a driver goes."""
