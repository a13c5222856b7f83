"""What a site publishes to its company: packages of pieces, sealed, kept in an outbox until storage has them."""
