"""Bytes to readings and back, from a driver file that is data."""
