"""What only all sites together can say: pure functions over the small computed tables of all of them."""
