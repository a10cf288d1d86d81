"""The report templates, packaged with the wheel."""
