"""The link to the broker; the only place in the station that knows paho."""
