"""Widgets of the working screen: each draws one value of `tui.view` and knows nothing else."""
