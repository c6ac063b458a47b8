//! Steps that only ask: questions one after the other, and what is made of the answers.

use super::machine::{Machine, Move};
use super::question::{Answer, Question};
use super::result::Made;
use super::world::World;

/// Answers in the order of the questions.
pub(super) type Answers = Vec<Answer>;

type Finish = Box<dyn Fn(&mut World, &Answers) -> Made + Send>;

/// A step that only asks.
pub(super) struct Form {
    questions: Vec<Question>,
    answers: Answers,
    /// Where this is so, nothing more is asked.
    ends: fn(&Answers) -> bool,
    finish: Finish,
}

impl Form {
    pub(super) fn new(
        questions: Vec<Question>,
        finish: impl Fn(&mut World, &Answers) -> Made + Send + 'static,
    ) -> Form {
        Form { questions, answers: Vec::new(), ends: |_| false, finish: Box::new(finish) }
    }

    /// Asks no more where the answers say that there is nothing to ask.
    pub(super) fn ends_when(mut self, ends: fn(&Answers) -> bool) -> Form {
        self.ends = ends;
        self
    }
}

impl Machine for Form {
    fn next(&mut self, world: &mut World) -> Move {
        match self.questions.get(self.answers.len()).filter(|_| !(self.ends)(&self.answers)) {
            Some(question) => Move::Ask(question.clone()),
            None => Move::Finish((self.finish)(world, &self.answers)),
        }
    }

    fn answer(&mut self, _: &mut World, answer: Answer) {
        self.answers.push(answer);
    }

    fn asks(&self) -> Vec<Question> {
        self.questions.clone()
    }
}

/// The words of an answer; empty where it has none.
pub(super) fn words(answers: &Answers, i: usize) -> String {
    answers.get(i).and_then(Answer::text).unwrap_or_default().to_owned()
}

/// The same, where there are any.
pub(super) fn some_words(answers: &Answers, i: usize) -> Option<String> {
    answers.get(i).and_then(Answer::text).map(str::to_owned)
}

/// The number of an answer.
pub(super) fn number(answers: &Answers, i: usize) -> Option<f64> {
    answers.get(i).and_then(Answer::number)
}
