"""Accuracy of mobile-mapping point clouds: measured, graded and reported."""
