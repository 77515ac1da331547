"""What the operating system gives: time and signals, the bench lock, the local control socket of an attempt."""
