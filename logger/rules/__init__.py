"""What a reading must meet and whether it does: limits with their sources, uncertainty, and the trade's formulas."""
