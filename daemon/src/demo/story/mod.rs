//! What happens in the workshop, step by step, and what must come of it.
