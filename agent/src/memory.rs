//! How the program deals with the memory of a board that has little: what the allocator is told
//! before anything else is done.

/// What was large and is given up goes back to the system at once, on a board that has little: left
/// to itself the allocator takes larger and larger blocks from what it keeps, and a reload of a
/// large file leaves holes.
#[cfg(target_env = "gnu")]
#[expect(unsafe_code, reason = "no safe wrapper of mallopt is in the tree")]
pub(crate) fn give_back_large_blocks() {
    const LARGE: libc::c_int = 128 << 10;
    // SAFETY: called before any other thread is there; both only set a number, and what they say is
    // not needed.
    unsafe {
        libc::mallopt(libc::M_MMAP_THRESHOLD, LARGE);
        libc::mallopt(libc::M_TRIM_THRESHOLD, 2 * LARGE);
        libc::mallopt(libc::M_ARENA_MAX, 1);
    }
}

#[cfg(not(target_env = "gnu"))]
pub(crate) fn give_back_large_blocks() {}
