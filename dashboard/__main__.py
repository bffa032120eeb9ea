"""``python -m dashboard``: the same as ``benchward dashboard``."""

from dashboard.cli import dashboard

if __name__ == "__main__":
    dashboard(prog_name="dashboard")
