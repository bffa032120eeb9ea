"""The rules as people read them: the same tables that the station goes by, printed."""
