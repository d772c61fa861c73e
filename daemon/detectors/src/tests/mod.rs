//! What could go wrong with a detector: it loops, eats, lies, crashes, or was never a detector. In each case its
//! machine counts as busy, everybody is told why, and all other machines go on as if nothing had happened.

mod agreement;
mod code_cache;
mod compiling;
mod conduct;
mod durations;
mod fixture;
mod handmade;
mod hostile;
mod threads;
