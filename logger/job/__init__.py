"""What is tested: the plan, the installation as a network, the state it is in, and the work that is left."""
