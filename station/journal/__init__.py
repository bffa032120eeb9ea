"""The journal: one writer thread, many readers; the only place in the station that knows SQLAlchemy."""
