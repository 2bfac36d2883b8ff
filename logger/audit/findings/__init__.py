"""What an audit looks for, one kind a file; `logger.audit.looks` lists them."""
