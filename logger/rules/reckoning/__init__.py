"""The trade's formulas as pocket tools: quantities as people type them in, a figure with its working and source out."""
