"""Made drivers, curves, recordings and tools that several rooms of tests share."""
