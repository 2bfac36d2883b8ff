"""Wire formats, sans-IO: bytes in, frames and junk out; no port, no clock, no threads. Import the module you need."""
