"""From codes to quantities: frame decoding, ITS-90, true RMS. Plain arithmetic, no I/O."""
