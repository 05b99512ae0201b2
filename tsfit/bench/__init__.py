"""At the bench: from a rig and a driver to recordings, a fit, a log."""
