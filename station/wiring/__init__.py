"""The wiring guide: from the settings' pin table to a drawing, a table and the sums behind the parts."""
