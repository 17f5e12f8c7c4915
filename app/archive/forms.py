"""A button alone."""

from app.web.forms import Form


class ExportForm(Form):
    """Nothing is typed to export everything."""
