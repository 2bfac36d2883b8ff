"""The working screen's sentence, a word a file: state and newest events in, lines of `tui.view` out. No Textual."""
