"""The daemon of one bench: from the wires to the light, the journal and the broker."""
