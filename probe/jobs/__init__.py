"""What lies between observing and judging; the only place that joins the two."""
