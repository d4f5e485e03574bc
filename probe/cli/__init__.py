"""The command line: names, options, exit statuses. It decides nothing else."""
