"""The pages and the JSON interface for the people around the bench; never imports station."""
