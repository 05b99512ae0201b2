"""What everything stands on: errors, files, processes, intervals, notes."""
