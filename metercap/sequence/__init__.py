"""Readings and acts in; attempts and verdicts out."""
