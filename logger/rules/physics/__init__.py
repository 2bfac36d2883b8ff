"""The trade's formulas, pure and exact: figures in, figures out, units in the names, nothing else."""
