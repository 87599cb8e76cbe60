//! Master and outstation over a stream that keeps back what is written until it is told to flush, as one of TLS may.

use std::sync::{Arc, Mutex};
use std::time::Duration;

use tokio::io::{BufStream, duplex};
use tokio::sync::{Notify, mpsc};
use tokio::time::Instant;

use super::{answer, drive};
use crate::Now;
use crate::link::Address;
use crate::master::{Arrived, AssociationConfig, Channel, ChannelConfig, Host, Note, Receipt};
use crate::objects::Timestamp;
use crate::outstation::{Database, Session, SessionConfig, Station};

struct Told(mpsc::UnboundedSender<Note>);

impl Host for Told {
    fn arrived(&mut self, _: &Arrived<'_>) -> Receipt {
        Receipt::Now
    }

    fn note(&mut self, _: Address, note: Note) {
        self.0.send(note).unwrap();
    }
}

#[tokio::test(start_paused = true)]
async fn what_is_written_is_flushed() {
    let (master, outstation) = (Address::from_wire(1), Address::from_wire(10));
    let session = Session::new(SessionConfig::new(outstation, master), Database::new(10));
    let (station, changed) = (Mutex::new(Station::new(vec![session])), Arc::new(Notify::new()));
    let config = AssociationConfig::new(outstation, Duration::from_secs(10));
    let mut channel = Channel::new(ChannelConfig::new(master), vec![config], Duration::ZERO);
    let (here, there) = duplex(65_536);
    let (sender, mut notes) = mpsc::unbounded_channel();
    let (_stored, mut stored) = mpsc::unbounded_channel();
    let start = Instant::now();
    let now = || Now { monotonic: start.elapsed(), wall: Timestamp::from_millis(0) };
    let polled = async {
        while let Some(note) = notes.recv().await {
            match note {
                Note::Done { task, .. } if task.is_poll() => return,
                Note::Failed { task, failure, .. } if task.is_poll() => panic!("{failure}"),
                _ => {}
            }
        }
    };
    let mut told = Told(sender);
    tokio::select! {
        () = polled => {}
        ended = drive(BufStream::new(here), &mut channel, &mut told, now, &mut stored) => panic!("{ended}"),
        ended = answer(BufStream::new(there), &station, now, &changed) => panic!("{ended:?}"),
    }
}
