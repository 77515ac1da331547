"""The command line: joins the edges to the runner."""
