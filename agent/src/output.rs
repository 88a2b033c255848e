//! What commands print. Whoever reads it may have seen enough (`slackwater log | head`): the
//! program ends then, and says nothing. Only this stream does that: a peer that closes a socket is
//! an error of that connection and no more, so the signal that would end the program for either
//! stays ignored.

use std::fmt::Arguments;
use std::io::Write;

/// What a shell shows for a program whose reader has gone: 128 and the number of SIGPIPE.
const READER_HAS_GONE: i32 = 141;

/// `print!`, for output that may lose its reader.
macro_rules! out {
    ($($words:tt)*) => { $crate::output::print(format_args!($($words)*)) };
}

/// `println!`, for output that may lose its reader.
macro_rules! outln {
    () => { $crate::output::print(format_args!("\n")) };
    ($($words:tt)*) => { $crate::output::print(format_args!("{}\n", format_args!($($words)*))) };
}

pub(crate) use {out, outln};

/// Prints it; ends the program if it can't be printed, with words unless it is the reader who has
/// gone.
pub(crate) fn print(words: Arguments<'_>) {
    let mut out = std::io::stdout().lock();
    // Whole lines and no pieces of them: a reader who is still there sees each at once.
    if let Err(error) = out.write_fmt(words).and_then(|()| out.flush()) {
        if error.kind() == std::io::ErrorKind::BrokenPipe {
            std::process::exit(READER_HAS_GONE);
        }
        eprintln!("what there is to say can't be printed: {error}");
        std::process::exit(1);
    }
}
