"""What each room shows, made of the daemon's answers: pure functions that open nothing and ask nobody."""
