"""What is read from a response: decay, balance, seats, tonality."""
