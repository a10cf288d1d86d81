"""The demo and one script per common job."""
