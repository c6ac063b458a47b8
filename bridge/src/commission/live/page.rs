//! The sitting's side of its page: what is shown there, and what is said there.

use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

use overspill_rules::commission::procedure::{Ask, Question, Said, Step, StepResult};
use overspill_rules::home::{Measures, PointId};
use overspill_rules::time::{Span, WallTime};
use tokio::sync::mpsc;

use super::{Asked, CommissionError, Installer, Reply, Sitting};
use crate::commission::board::{Board, Correction, FromPage, Look};
use crate::commission::{keeping, proposal, record, sheet};

/// How often the page is shown how the points read, in real time.
pub(super) const LOOK_EVERY: Duration = Duration::from_millis(250);

/// Readings of so long are shown.
const LATELY: Span = Span::minutes(2);

/// Where a sitting meets its page, and the files that the page may have written.
pub struct Desk {
    board: Arc<Board>,
    said: mpsc::Receiver<FromPage>,
    home: PathBuf,
    sheet: PathBuf,
}

impl Desk {
    /// Of this home file and this sheet.
    pub(crate) fn new(board: Arc<Board>, home: PathBuf, sheet: PathBuf) -> Option<Desk> {
        let said = board.heard()?;
        Some(Desk { board, said, home, sheet })
    }
}

/// A person at the page, or at the keys: whoever answers first.
pub struct AtThePage(Option<Desk>);

impl AtThePage {
    /// At this desk.
    pub fn new(desk: Desk) -> AtThePage {
        AtThePage(Some(desk))
    }
}

impl Installer for AtThePage {
    fn ask(&mut self, _: &Question) -> Reply {
        Reply::ByLine
    }

    fn may_repeat(&self) -> bool {
        true
    }

    fn desk(&mut self) -> Option<Desk> {
        self.0.take()
    }
}

/// What a page says next; never comes where there is no page.
pub(super) async fn said(desk: &mut Option<Desk>) -> FromPage {
    match desk {
        Some(desk) => match desk.said.recv().await {
            Some(said) => said,
            None => std::future::pending().await,
        },
        None => std::future::pending().await,
    }
}

/// What is shown.
impl Sitting<'_> {
    fn board(&self) -> Option<&Board> {
        self.desk.as_ref().map(|desk| desk.board.as_ref())
    }

    /// Says something at the terminal and on the page.
    pub(super) fn tell(&mut self, words: &str) {
        self.say(words);
        if let Some(board) = self.board() {
            board.says(words);
        }
    }

    pub(super) fn show_standing(&self) {
        if let Some(board) = self.board() {
            board.stands(&self.record);
        }
    }

    /// A step begins. On the page its caution comes first and by itself, and nothing goes on before it was read.
    pub(super) async fn show_begin(
        &mut self,
        (place, all): (usize, usize),
        step: &Step,
        end: &mut (impl Future<Output = ()> + Unpin),
    ) -> Result<(), CommissionError> {
        let Some(board) = self.board() else { return Ok(()) };
        board.begins(place, all, step);
        if step.cautions.is_empty() {
            return Ok(());
        }
        let question = Question {
            key: "caution".to_owned(),
            words: "Press Enter when you have read the caution.".to_owned(),
            ask: Ask::Done,
        };
        let text = self.options.paper.ask(&question);
        self.print(&text);
        match self.asked(&question, end).await? {
            Asked::Said(Said::Answer(_)) | Asked::Turned => {}
            Asked::Said(said) => self.said(said),
            Asked::Ended => self.said(Said::Stop),
        }
        Ok(())
    }

    pub(super) fn show_question(&self, question: &Question) {
        if let Some(board) = self.board() {
            board.asks(question);
        }
    }

    pub(super) fn show_awaited(&self, until: WallTime, words: &str) {
        if let Some(board) = self.board() {
            board.waits(until, words);
        }
    }

    pub(super) fn show_result(&self, result: &StepResult) {
        let Some(board) = self.board() else { return };
        board.result(result, &self.record);
        if result.id.starts_with("point.") {
            board.corrects(self.correction());
        }
    }

    /// How the points read, now and then.
    pub(super) fn show_looks(&mut self) {
        if self.desk.is_none() || self.looked.elapsed() < LOOK_EVERY {
            return;
        }
        self.looked = Instant::now();
        let home = &self.config.home;
        let look = |look: overspill_rules::commission::procedure::Look<'_>| Look {
            id: home.point(look.point).id.clone(),
            measures: self.measures(look.point),
            lately: look.lately.to_vec(),
            is_old: look.is_old,
            refused: look.refused.map(str::to_owned),
        };
        let looks = self.procedure.looks(LATELY).map(look).collect();
        if let Some(board) = self.board() {
            board.looks(looks, self.procedure.is_commanded());
        }
    }

    /// What a point measures, and which way a positive number flows.
    fn measures(&self, point: PointId) -> String {
        let home = &self.config.home;
        let measures = home.point(point).measures;
        let words = keeping::measures(home, measures);
        match measures {
            Measures::Grid(_) => format!("{words}; above zero comes in"),
            _ => words,
        }
    }
}

/// What is said.
impl Sitting<'_> {
    /// Whether the question that was just answered by a line is still open.
    pub(super) fn is_first(&self) -> bool {
        self.board().is_none_or(|board| board.close("the terminal"))
    }

    /// Takes what a page said, and gives what that comes to for the question that is open.
    pub(super) fn take(&mut self, said: FromPage) -> Option<Asked> {
        match said {
            FromPage::Answer(said) | FromPage::Leave(said) => return Some(Asked::Said(said)),
            FromPage::TurnTo(id) => {
                let now = self.now();
                // Ids come from the steps themselves.
                return self.procedure.turn_to(now, &id).is_ok().then_some(Asked::Turned);
            }
            FromPage::Apply => match self.apply() {
                Ok(words) => {
                    self.tell(&words);
                    // What was written is not to be offered again while it is proved anew.
                    if let Some(board) = self.board() {
                        board.corrects(Correction::Nothing);
                    }
                    self.corrected = true;
                    self.procedure.stop();
                    return Some(Asked::Turned);
                }
                Err(why) => self.did(&format!("The home file was not changed: {why}.")),
            },
            FromPage::Issue => {
                let words = self.issue().unwrap_or_else(|why| format!("The sheet was not issued: {why}."));
                self.did(&words);
            }
            FromPage::Tell(words) => self.say(&words),
        }
        None
    }

    /// The same while something is awaited, and nothing asked.
    pub(super) fn said_early(&mut self, said: FromPage) {
        if let Some(Asked::Said(said)) = self.take(said)
            && !matches!(said, Said::Answer(_))
        {
            self.said(said);
        }
    }

    fn did(&mut self, words: &str) {
        self.say(words);
        self.show_standing();
        if let Some(board) = self.board() {
            board.did(words.to_owned());
        }
    }

    /// All is over, for now: the page may turn to any step again. Whether it goes on.
    pub(super) async fn rest(&mut self, end: &mut (impl Future<Output = ()> + Unpin)) -> bool {
        if self.desk.is_none() || self.ended || self.corrected {
            return false;
        }
        let correction = self.correction();
        if let Some(board) = self.board() {
            board.rests(correction);
        }
        self.say("The page can do any step again. Ctrl-C ends.");
        loop {
            tokio::select! {
                line = self.options.lines.recv(), if self.typing => match line {
                    None => self.typing = false,
                    Some(_) => self.say("Nothing is asked now. The page can do any step again; Ctrl-C ends."),
                },
                said = said(&mut self.desk) => {
                    if let Some(Asked::Turned) = self.take(said) {
                        return !self.corrected;
                    }
                }
                event = self.events.recv() => self.hear(event),
                () = &mut *end => {
                    self.ended = true;
                    return false;
                }
                () = tokio::time::sleep(LOOK_EVERY) => {}
            }
            self.show_looks();
        }
    }

    /// The corrected home file, by what is held of the points now.
    fn correction(&self) -> Correction {
        let Some(desk) = &self.desk else { return Correction::Nothing };
        let wanted = proposal::corrections(self.procedure.site(), &self.procedure.diagnosis());
        if wanted.is_empty() {
            return Correction::Nothing;
        }
        let text = match std::fs::read_to_string(&desk.home) {
            Ok(text) => text,
            Err(why) => return Correction::Refused(format!("{}: {why}", desk.home.display())),
        };
        match proposal::propose(&text, &desk.home, &self.config.home, &wanted) {
            Ok(proposed) if proposed.is_empty() => Correction::Nothing,
            Ok(proposed) => Correction::Proposed(Box::new(proposed)),
            Err(why) => Correction::Refused(why.to_string()),
        }
    }

    /// Writes the proposed correction, and gives the words for it.
    fn apply(&mut self) -> Result<String, String> {
        let Some(desk) = &self.desk else { return Err("there is no page".to_owned()) };
        let Correction::Proposed(proposed) = desk.board.shown().correction else {
            return Err("no correction is proposed any more".to_owned());
        };
        let at = self.now();
        let date = at.in_zone(&self.config.home.timezone).map_or(jiff::civil::Date::ZERO, |z| z.date());
        let written = proposed.apply(&desk.home, date).map_err(|why| why.to_string())?;
        let by = self.procedure.who().to_owned();
        keeping::keep_correction(&mut self.record, &proposed, &written, &by, at);
        record::write(&self.options.record, &self.record).map_err(|why| why.to_string())?;
        Ok(format!(
            "The home file is corrected; the old one is kept as {}. Start the daemon again, so that it takes the new one.",
            written.kept.display()
        ))
    }

    /// Issues the sheet of what stands now, and gives the words for it.
    fn issue(&mut self) -> Result<String, String> {
        let Some(desk) = &self.desk else { return Err("there is no page".to_owned()) };
        let text = std::fs::read(&desk.home).map_err(|why| format!("{}: {why}", desk.home.display()))?;
        let fingerprint = record::fingerprint(&text);
        record::lapse(&mut self.record, &fingerprint);
        let at = jiff::Timestamp::from_millisecond(self.options.clock.wall().0);
        let complete = record::issue(&mut self.record, at.unwrap_or(jiff::Timestamp::UNIX_EPOCH)).complete;
        record::write(&self.options.record, &self.record).map_err(|why| why.to_string())?;
        let html = sheet::html(&self.record, &sheet::Context::of(self.config, &desk.home, &fingerprint));
        sheet::write(&desk.sheet, &html).map_err(|why| format!("{}: {why}", desk.sheet.display()))?;
        let word = if complete { "It says complete." } else { "It says not complete." };
        Ok(format!("The sheet was issued: {}. {word}", desk.sheet.display()))
    }
}

impl Drop for Desk {
    /// The page goes on with the next sitting.
    fn drop(&mut self) {
        let (_, none) = mpsc::channel(1);
        self.board.give_back(std::mem::replace(&mut self.said, none));
    }
}
