"""Commissioning: walking through the wiring of a bench with a person, and what was found."""
