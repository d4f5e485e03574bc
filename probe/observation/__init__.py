"""What was asked and what was seen: the survey and its saved form."""
