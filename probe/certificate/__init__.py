"""What stands in a certificate, read leniently: facts, no opinion."""
