"""Real links: pyvisa sessions on worker threads, the bench lock, the dialect files."""
