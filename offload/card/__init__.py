"""What a card is: what lies on it, which layout it has, what its roll is called."""
