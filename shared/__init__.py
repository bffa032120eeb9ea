"""What the station and the dashboard both rely on; imports neither of them."""
