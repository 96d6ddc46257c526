//! Site counts, as people write them down: reading and checking.
