"""Ways for bytes to travel between a meter and this machine: `open.link_for` is the door, each way has its own file."""
