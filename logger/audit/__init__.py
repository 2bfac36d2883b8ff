"""What an auditor asks of a logbook: does it stand (`integrity`), and what is to be said about what it holds."""
