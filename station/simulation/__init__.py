"""A working bench in software, at wire level: frames and ADC codes, not numbers."""
