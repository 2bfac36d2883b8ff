"""Screens: each turns keys and clicks into requests to the desk, and draws what it is handed."""
