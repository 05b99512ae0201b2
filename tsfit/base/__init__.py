"""What everything stands on: errors, files, machine forms, types of arrays, conformity, intervals, notes, processes."""
