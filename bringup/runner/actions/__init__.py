"""One module per action of a procedure; what an action does to board and bench is all in its module."""
