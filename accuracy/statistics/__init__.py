"""From residuals to figures and intervals."""
