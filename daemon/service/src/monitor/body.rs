//! What an answer consists of: a text, or frames as they come.

use std::convert::Infallible;
use std::pin::Pin;
use std::task::{Context, Poll};

use bytes::Bytes;
use hyper::body::{Body, Frame, SizeHint};
use tokio::sync::mpsc;

#[derive(Debug)]
pub(super) enum Sent {
    Text(Option<Bytes>),
    /// Until whoever sends them has let go.
    Frames(mpsc::Receiver<Bytes>),
}

impl Body for Sent {
    type Data = Bytes;
    type Error = Infallible;

    fn poll_frame(
        self: Pin<&mut Self>,
        context: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Bytes>, Infallible>>> {
        match self.get_mut() {
            Sent::Text(text) => Poll::Ready(text.take().map(|text| Ok(Frame::data(text)))),
            Sent::Frames(frames) => {
                frames.poll_recv(context).map(|frame| frame.map(|frame| Ok(Frame::data(frame))))
            }
        }
    }

    fn is_end_stream(&self) -> bool {
        match self {
            Sent::Text(text) => text.is_none(),
            Sent::Frames(_) => false,
        }
    }

    fn size_hint(&self) -> SizeHint {
        match self {
            Sent::Text(text) => SizeHint::with_exact(text.as_ref().map_or(0, |text| text.len() as u64)),
            Sent::Frames(_) => SizeHint::default(),
        }
    }
}
