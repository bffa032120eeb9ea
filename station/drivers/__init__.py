"""The real wires: the only place that knows gpiozero, Blinka and the MAX31855 driver."""
