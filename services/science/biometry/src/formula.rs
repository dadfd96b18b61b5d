//! Model formulas in the notation of Wilkinson and Rogers (1973, Applied Statistics 22:392-399,
//! from memory).
//!
//! `a + b` both terms, `a:b` the interaction alone, `a * b` = `a + b + a:b`, `a / b` = `a + a:b`
//! (b within a), `- a` leaves a term out, `1` the general mean (there unless `0` or `- 1` is
//! written). Names are letters, digits, `_` and `.`; any other name stands in double quotes.

/// A formula that cannot be read.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("formula `{formula}` cannot be read at character {position}: {problem}")]
pub struct FormulaError {
    /// The formula as given.
    pub formula: String,
    /// Where, counted in characters from 1.
    pub position: usize,
    /// What was found and what to write instead.
    pub problem: String,
}

/// A main effect (one variable) or an interaction (several), variables in order of appearance.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Term(Vec<String>);

impl Term {
    /// A term of the given variables.
    #[must_use]
    pub fn of(variables: &[&str]) -> Self {
        let mut term = Self(Vec::new());
        for variable in variables {
            term.join(variable);
        }
        term
    }

    /// The variables of the term.
    #[must_use]
    pub fn variables(&self) -> &[String] {
        &self.0
    }

    /// Whether every variable of this term is in the other.
    #[must_use]
    pub fn is_within(&self, other: &Self) -> bool {
        self.0.iter().all(|v| other.0.contains(v))
    }

    /// Whether both have the same variables, in any order.
    #[must_use]
    pub fn is_same(&self, other: &Self) -> bool {
        self.0.len() == other.0.len() && self.is_within(other)
    }

    fn join(&mut self, variable: &str) {
        if !self.0.iter().any(|v| v == variable) {
            self.0.push(variable.to_owned());
        }
    }

    fn crossed(&self, other: &Self) -> Self {
        let mut both = self.clone();
        other.0.iter().for_each(|v| both.join(v));
        both
    }
}

impl std::fmt::Display for Term {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.0.join(":"))
    }
}

/// The right-hand side of a formula: terms, main effects before interactions.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Terms {
    /// Whether the general mean is fitted.
    pub intercept: bool,
    /// The terms, by number of variables and then in order of appearance.
    pub terms: Vec<Term>,
}

impl Terms {
    /// Reads a list of terms such as `site * variety` or `block + block:variety`.
    ///
    /// # Errors
    /// A formula that does not follow the notation; the message says where.
    pub fn parse(text: &str) -> Result<Self, FormulaError> {
        let mut reader = Reader::new(text, text, 0)?;
        let set = reader.sum()?;
        reader.end()?;
        let mut terms = set.terms;
        terms.sort_by_key(|t| t.0.len());
        Ok(Self {
            intercept: set.intercept.unwrap_or(true),
            terms,
        })
    }
}

/// A response and its fixed terms, `yield ~ site * variety`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Formula {
    /// Name of the response (the trait).
    pub response: String,
    /// The fixed part.
    pub fixed: Terms,
}

impl Formula {
    /// Reads a formula with a response.
    ///
    /// # Errors
    /// A formula that does not follow the notation; the message says where.
    pub fn parse(text: &str) -> Result<Self, FormulaError> {
        let Some((left, right)) = text.split_once('~') else {
            return Err(FormulaError {
                formula: text.to_owned(),
                position: text.chars().count() + 1,
                problem: "no `~`; write the response, `~`, and the fixed terms".to_owned(),
            });
        };
        let mut response = Reader::new(text, left, 0)?;
        let Some(Token::Name(name)) = response.next() else {
            return Err(response.problem("the response must be one name"));
        };
        response.end()?;
        let mut reader = Reader::new(text, right, left.chars().count() + 1)?;
        let set = reader.sum()?;
        reader.end()?;
        let mut terms = set.terms;
        terms.sort_by_key(|t| t.0.len());
        Ok(Self {
            response: name,
            fixed: Terms {
                intercept: set.intercept.unwrap_or(true),
                terms,
            },
        })
    }
}

#[derive(Debug, Clone, PartialEq)]
enum Token {
    Name(String),
    Number(u32),
    Sign(char),
}

/// Terms gathered so far; `intercept` is `None` while the formula has not spoken of it.
#[derive(Debug, Clone, Default)]
struct TermSet {
    intercept: Option<bool>,
    terms: Vec<Term>,
}

impl TermSet {
    fn add(&mut self, other: Self) {
        self.intercept = other.intercept.or(self.intercept);
        for term in other.terms {
            if !self.terms.iter().any(|t| t.is_same(&term)) {
                self.terms.push(term);
            }
        }
    }

    fn remove(&mut self, other: &Self) {
        if let Some(there) = other.intercept {
            self.intercept = Some(!there);
        }
        self.terms
            .retain(|t| !other.terms.iter().any(|o| o.is_same(t)));
    }

    fn interaction(&self, other: &Self) -> Self {
        let mut set = Self::default();
        for a in &self.terms {
            for b in &other.terms {
                set.add(Self {
                    intercept: None,
                    terms: vec![a.crossed(b)],
                });
            }
        }
        set
    }

    fn all_in_one(&self) -> Self {
        let whole = self
            .terms
            .iter()
            .skip(1)
            .fold(self.terms[0].clone(), |all, t| all.crossed(t));
        Self {
            intercept: None,
            terms: vec![whole],
        }
    }
}

struct Reader<'a> {
    formula: &'a str,
    tokens: Vec<(usize, Token)>,
    at: usize,
    end_position: usize,
}

impl<'a> Reader<'a> {
    fn new(formula: &'a str, part: &str, offset: usize) -> Result<Self, FormulaError> {
        let fail = |position: usize, problem: String| FormulaError {
            formula: formula.to_owned(),
            position: offset + position + 1,
            problem,
        };
        let chars: Vec<char> = part.chars().collect();
        let mut tokens = Vec::new();
        let mut k = 0;
        while k < chars.len() {
            let start = k;
            let c = chars[k];
            if c.is_whitespace() {
                k += 1;
                continue;
            }
            let token = if c == '"' {
                let close = (k + 1..chars.len())
                    .find(|&e| chars[e] == '"')
                    .ok_or_else(|| fail(k, "the quotation is not closed".to_owned()))?;
                k = close + 1;
                Token::Name(chars[start + 1..close].iter().collect())
            } else if c.is_alphanumeric() || c == '_' || c == '.' {
                while k < chars.len() && (chars[k].is_alphanumeric() || "_.".contains(chars[k])) {
                    k += 1;
                }
                let word: String = chars[start..k].iter().collect();
                word.parse().map_or(Token::Name(word), Token::Number)
            } else if "+-*/:^()".contains(c) {
                k += 1;
                Token::Sign(c)
            } else {
                return Err(fail(
                    k,
                    format!("`{c}` has no meaning here; use + - * / : ^ ( ) and names"),
                ));
            };
            tokens.push((offset + start + 1, token));
        }
        Ok(Self {
            formula,
            tokens,
            at: 0,
            end_position: offset + chars.len() + 1,
        })
    }

    fn peek_sign(&self, sign: char) -> bool {
        matches!(self.tokens.get(self.at), Some((_, Token::Sign(c))) if *c == sign)
    }

    fn take_sign(&mut self, sign: char) -> bool {
        let there = self.peek_sign(sign);
        self.at += usize::from(there);
        there
    }

    fn next(&mut self) -> Option<Token> {
        let token = self.tokens.get(self.at).map(|(_, t)| t.clone());
        self.at += usize::from(token.is_some());
        token
    }

    fn problem(&self, problem: &str) -> FormulaError {
        FormulaError {
            formula: self.formula.to_owned(),
            position: self
                .tokens
                .get(self.at)
                .map_or(self.end_position, |(p, _)| *p),
            problem: problem.to_owned(),
        }
    }

    fn end(&self) -> Result<(), FormulaError> {
        if self.at == self.tokens.len() {
            Ok(())
        } else {
            Err(self.problem("an operator (+ - * / :) is expected between terms"))
        }
    }

    fn sum(&mut self) -> Result<TermSet, FormulaError> {
        let mut set = TermSet::default();
        if self.take_sign('-') {
            set.remove(&self.product()?);
        } else {
            set.add(self.product()?);
        }
        loop {
            if self.take_sign('+') {
                let more = self.product()?;
                set.add(more);
            } else if self.take_sign('-') {
                let less = self.product()?;
                set.remove(&less);
            } else {
                return Ok(set);
            }
        }
    }

    fn product(&mut self) -> Result<TermSet, FormulaError> {
        let mut left = self.interaction()?;
        loop {
            let nested = self.peek_sign('/');
            if !nested && !self.peek_sign('*') {
                return Ok(left);
            }
            self.at += 1;
            let right = self.interaction()?;
            if left.terms.is_empty() || right.terms.is_empty() {
                return Err(self.problem("the general mean cannot be crossed or nested"));
            }
            if nested {
                let within = left.all_in_one().interaction(&right);
                left.add(within);
            } else {
                let both = left.interaction(&right);
                left.add(right);
                left.add(both);
            }
        }
    }

    fn interaction(&mut self) -> Result<TermSet, FormulaError> {
        let mut left = self.power()?;
        while self.take_sign(':') {
            let right = self.power()?;
            if left.terms.is_empty() || right.terms.is_empty() {
                return Err(self.problem("the general mean cannot be crossed"));
            }
            left = left.interaction(&right);
        }
        Ok(left)
    }

    fn power(&mut self) -> Result<TermSet, FormulaError> {
        let base = self.atom()?;
        if !self.take_sign('^') {
            return Ok(base);
        }
        let degree = match self.next() {
            Some(Token::Number(degree)) if (1..=8).contains(&degree) => degree,
            _ => return Err(self.problem("a whole number from 1 to 8 must follow `^`")),
        };
        let mut set = base.clone();
        for _ in 1..degree {
            let more = set.interaction(&base);
            set.add(more);
        }
        Ok(set)
    }

    fn atom(&mut self) -> Result<TermSet, FormulaError> {
        if self.take_sign('(') {
            let set = self.sum()?;
            return if self.take_sign(')') {
                Ok(set)
            } else {
                Err(self.problem("`)` is missing"))
            };
        }
        match self.tokens.get(self.at).map(|(_, t)| t.clone()) {
            Some(Token::Name(name)) => {
                self.at += 1;
                Ok(TermSet {
                    intercept: None,
                    terms: vec![Term(vec![name])],
                })
            }
            Some(Token::Number(number @ (0 | 1))) => {
                self.at += 1;
                Ok(TermSet {
                    intercept: Some(number == 1),
                    terms: Vec::new(),
                })
            }
            _ => Err(self.problem("a name, 1, 0 or `(` is expected")),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn written(text: &str) -> String {
        let terms = Terms::parse(text).unwrap();
        let mut all: Vec<String> = terms.terms.iter().map(Term::to_string).collect();
        if terms.intercept {
            all.insert(0, "1".to_owned());
        }
        all.join(" + ")
    }

    #[test]
    fn expansions_follow_the_notation() {
        assert_eq!(written("a * b"), "1 + a + b + a:b");
        assert_eq!(written("a / b"), "1 + a + a:b");
        assert_eq!(written("(a + b) / c"), "1 + a + b + a:b:c");
        assert_eq!(
            written("a * b * c - a:b:c"),
            "1 + a + b + c + a:b + a:c + b:c"
        );
        assert_eq!(written("(a + b + c)^2"), "1 + a + b + c + a:b + a:c + b:c");
        assert_eq!(written("b:a + a:b - 1"), "b:a");
        assert_eq!(written("0 + days"), "days");
        assert_eq!(written("1"), "1");
        assert_eq!(written("\"soil depth\" + a"), "1 + soil depth + a");
    }

    #[test]
    fn faults_are_placed() {
        let fault = Formula::parse("yield ~ site + + gen").unwrap_err();
        assert_eq!(fault.position, 16, "{fault}");
        assert!(Formula::parse("yield").unwrap_err().problem.contains('~'));
        assert_eq!(Formula::parse("yield ~ a | b").unwrap_err().position, 11);
        assert_eq!(Formula::parse("yield ~ (a").unwrap_err().position, 11);
    }
}
