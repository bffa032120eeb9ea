"""The JSON interface under ``/api/v1`` for programs: what is recorded, what is now, requests to stations."""
