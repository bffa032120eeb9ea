"""What the station and the dashboard both rely on; imports neither of them."""

VERSION = "0.1.0"
