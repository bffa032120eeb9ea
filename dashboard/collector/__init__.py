"""Collects many stations' events and readings from the broker into one database."""
