"""What people look at in the terminal and on paper."""
