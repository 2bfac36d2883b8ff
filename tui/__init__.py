"""The terminal: everything a person touches. The only layer that knows all the others."""
