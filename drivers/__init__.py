"""The instruments: bytes to happenings, and the lines they travel on."""
