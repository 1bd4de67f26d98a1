"""What is printed: a case as a sheet, a review as a page."""
