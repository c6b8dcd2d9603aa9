//! A FHIR server in memory: what a hospital wrote into it, and what we write. It keeps to FHIR R4
//! §3.1.0 (conditional create and update, transaction, search with pages); what goes wrong on the
//! way is `network`'s.

use crate::history::{Abilities, BIRTH_DATES, PATIENTS};
use serde_json::{Value, json};
use std::collections::BTreeMap;

/// Base address.
pub const BASE: &str = "http://server.invalid/fhir";

#[derive(Clone, Debug)]
struct Kept {
    body: Value,
    version: u64,
    last_updated: i64,
    /// Not seen by searches yet.
    hidden_until: Option<tokio::time::Instant>,
}

#[derive(Debug)]
pub struct Server {
    /// What the hospital wrote, by id.
    written: BTreeMap<String, Kept>,
    /// What we wrote, by type and id.
    ours: BTreeMap<(String, String), Value>,
    pages: BTreeMap<u64, Vec<Value>>,
    next: u64,
    stamp_millis: i64,
    abilities: Abilities,
}

/// An answer: status, Location, body.
pub type Answer = (u16, Option<String>, Option<Value>);

impl Server {
    pub fn new(stamp_millis: i64, abilities: Abilities) -> Self {
        Self {
            written: BTreeMap::new(),
            ours: BTreeMap::new(),
            pages: BTreeMap::new(),
            next: 1,
            stamp_millis,
            abilities,
        }
    }

    /// The hospital writes a version at `now`.
    pub fn hospital_writes(&mut self, id: &str, body: Value, now: i64, hidden_until: Option<tokio::time::Instant>) {
        let version = self.written.get(id).map_or(0, |kept| kept.version) + 1;
        let last_updated = now - now.rem_euclid(self.stamp_millis);
        let kept = Kept {
            body,
            version,
            last_updated,
            hidden_until,
        };
        self.written.insert(id.to_owned(), kept);
    }

    /// The hospital writes the same again.
    pub fn hospital_repeats(&mut self, id: &str, now: i64) {
        if let Some(kept) = self.written.get(id) {
            let (body, hidden) = (kept.body.clone(), kept.hidden_until);
            self.hospital_writes(id, body, now, hidden);
        }
    }

    /// lastUpdated of the oldest commit that is not visible yet.
    pub fn oldest_hidden(&self) -> Option<i64> {
        let now = tokio::time::Instant::now();
        let hidden = self
            .written
            .values()
            .filter(|kept| kept.hidden_until.is_some_and(|until| now < until));
        hidden.map(|kept| kept.last_updated).min()
    }

    /// Every commit is visible now.
    pub fn show_all(&mut self) {
        for kept in self.written.values_mut() {
            kept.hidden_until = None;
        }
    }

    /// What the hospital wrote: id and newest version.
    pub fn written(&self) -> impl Iterator<Item = (&str, u64)> {
        self.written.iter().map(|(id, kept)| (id.as_str(), kept.version))
    }

    /// Everything of ours that stands on the server.
    pub fn ours(&self) -> impl Iterator<Item = &Value> {
        self.ours.values()
    }

    pub fn metadata(&self) -> Value {
        let can = self.abilities.conditions;
        let kind = |kind| json!({"type": kind, "conditionalUpdate": can, "conditionalCreate": can});
        let code = if self.abilities.transaction {
            "transaction"
        } else {
            "batch"
        };
        json!({"resourceType": "CapabilityStatement", "rest": [{"mode": "server",
            "interaction": [{"code": code}],
            "resource": [kind("Observation"), kind("Communication"), kind("Device")]}]})
    }

    /// The first page of a search over what the hospital wrote: changed since, or of a patient at a time.
    pub fn search(&mut self, query: &BTreeMap<String, Vec<String>>) -> Answer {
        let moment = |text: &str| deltaward::fhir::datetime::parse(&text[2..]).unwrap().earliest.millis();
        let one = |name: &str| query.get(name).and_then(|values| values.first());
        let from = one("_lastUpdated").map(|text| moment(text));
        let dates: Vec<&String> = query.get("date").into_iter().flatten().collect();
        let now = tokio::time::Instant::now();
        let mut found: Vec<(i64, Value)> = Vec::new();
        for kept in self.written.values() {
            if kept.hidden_until.is_some_and(|until| now < until) || from.is_some_and(|from| kept.last_updated < from) {
                continue;
            }
            if one("patient").is_some_and(|patient| kept.body["subject"]["reference"] != json!(patient)) {
                continue;
            }
            let effective = kept.body["effectiveDateTime"]
                .as_str()
                .map(|text| moment(&format!("ge{text}")));
            let within = |date: &&String| match (effective, date.starts_with("ge")) {
                (None, _) => false,
                (Some(at), true) => at >= moment(date),
                (Some(at), false) => at <= moment(date),
            };
            if !dates.iter().all(within) {
                continue;
            }
            let mut body = kept.body.clone();
            body["meta"] = json!({"versionId": kept.version.to_string(),
                "lastUpdated": crate::history::instant(kept.last_updated)});
            found.push((kept.last_updated, body));
        }
        found.sort_by_key(|(updated, _)| *updated);
        let count = one("_count")
            .and_then(|text| text.parse().ok())
            .unwrap_or(50_usize)
            .max(1);
        let entries = found
            .into_iter()
            .map(|(_, body)| json!({"resource": body, "search": {"mode": "match"}}));
        let token = self.next;
        self.next += 1;
        self.pages.insert(token, entries.collect());
        let sorted = from.is_some();
        self.page(token, 0, count, sorted)
    }

    /// A page of a search that is being read; 410 when it is not known.
    pub fn page(&self, token: u64, offset: usize, count: usize, sorted: bool) -> Answer {
        let Some(all) = self.pages.get(&token) else {
            return (410, None, Some(outcome("expired")));
        };
        let entries: Vec<Value> = all.iter().skip(offset).take(count).cloned().collect();
        let mut link = vec![];
        if sorted {
            link.push(json!({"relation": "self", "url": format!("{BASE}/Observation?_sort=_lastUpdated")}));
        }
        if offset + count < all.len() {
            let url = format!(
                "{BASE}/Observation?_page={token}&_offset={}&_count={count}&_sorted={sorted}",
                offset + count
            );
            link.push(json!({"relation": "next", "url": url}));
        }
        let bundle = json!({"resourceType": "Bundle", "type": "searchset", "link": link, "entry": entries});
        (200, None, Some(bundle))
    }

    /// Ours with this identifier (`system|value`).
    fn having(&self, kind: &str, token: &str) -> Vec<String> {
        let Some((system, value)) = token.split_once('|') else {
            return Vec::new();
        };
        let has = |body: &Value| {
            let identifiers = body["identifier"].as_array().into_iter().flatten();
            identifiers
                .into_iter()
                .any(|one| one["system"] == json!(system) && one["value"] == json!(value))
        };
        let of_kind = self.ours.iter().filter(|((known, _), body)| known == kind && has(body));
        of_kind.map(|((_, id), _)| id.clone()).collect()
    }

    pub fn find(&self, kind: &str, token: &str) -> Answer {
        let entries: Vec<Value> = self
            .having(kind, token)
            .into_iter()
            .map(|id| json!({"resource": self.ours[&(kind.to_owned(), id)]}))
            .collect();
        let bundle = json!({"resourceType": "Bundle", "type": "searchset", "entry": entries});
        (200, None, Some(bundle))
    }

    pub fn read(&self, kind: &str, id: &str) -> Answer {
        let reference = format!("{kind}/{id}");
        if let Some(index) = PATIENTS.iter().position(|patient| *patient == reference) {
            let patient = json!({"resourceType": "Patient", "id": id, "birthDate": BIRTH_DATES[index]});
            return (200, None, Some(patient));
        }
        match self.ours.get(&(kind.to_owned(), id.to_owned())) {
            Some(body) => (200, None, Some(body.clone())),
            None => (404, None, Some(outcome("not-found"))),
        }
    }

    /// POST, conditional on `if_none` when given.
    pub fn create(&mut self, kind: &str, if_none: Option<&str>, body: Value) -> Answer {
        let if_none = if_none.filter(|_| self.abilities.conditions);
        if let Some(token) = if_none.and_then(|condition| condition.strip_prefix("identifier=")) {
            match self.having(kind, token).as_slice() {
                [] => {}
                [id] => return self.kept(200, kind, &id.clone()),
                _ => return (412, None, Some(outcome("multiple-matches"))),
            }
        }
        let id = format!("s{}", self.next);
        self.next += 1;
        self.put(kind, &id, body);
        self.kept(201, kind, &id)
    }

    /// PUT with a condition.
    pub fn update_where(&mut self, kind: &str, token: &str, body: Value) -> Answer {
        if !self.abilities.conditions {
            return (405, None, Some(outcome("not-supported")));
        }
        match self.having(kind, token).as_slice() {
            [] => self.create(kind, None, body),
            [id] => {
                let id = id.clone();
                self.put(kind, &id, body);
                self.kept(200, kind, &id)
            }
            _ => (412, None, Some(outcome("multiple-matches"))),
        }
    }

    /// PUT by id.
    pub fn update(&mut self, kind: &str, id: &str, body: Value) -> Answer {
        if !self.ours.contains_key(&(kind.to_owned(), id.to_owned())) {
            return (404, None, Some(outcome("not-found")));
        }
        self.put(kind, id, body);
        self.kept(200, kind, id)
    }

    fn put(&mut self, kind: &str, id: &str, mut body: Value) {
        body["id"] = json!(id);
        self.ours.insert((kind.to_owned(), id.to_owned()), body);
    }

    fn kept(&self, status: u16, kind: &str, id: &str) -> Answer {
        let body = self.ours[&(kind.to_owned(), id.to_owned())].clone();
        (status, Some(format!("{BASE}/{kind}/{id}/_history/1")), Some(body))
    }

    /// A transaction Bundle: all of it or nothing (§3.1.0.11.2).
    pub fn transaction(&mut self, bundle: &Value) -> Answer {
        if !self.abilities.transaction {
            return (405, None, Some(outcome("not-supported")));
        }
        let before = self.ours.clone();
        let mut answers = Vec::new();
        let mut places: Vec<(String, String)> = Vec::new();
        for entry in bundle["entry"].as_array().into_iter().flatten() {
            let (request, body) = (&entry["request"], entry["resource"].clone());
            let url = request["url"].as_str().unwrap_or_default();
            let (kind, condition) = url.split_once('?').unwrap_or((url, ""));
            let answer = match request["method"].as_str() {
                Some("PUT") => self.update_where(kind, condition.trim_start_matches("identifier="), body),
                _ => self.create(kind, request["ifNoneExist"].as_str(), body),
            };
            if answer.0 >= 300 {
                self.ours = before;
                return answer;
            }
            let id = answer
                .2
                .as_ref()
                .and_then(|body| body["id"].as_str())
                .unwrap_or_default();
            places.push((
                entry["fullUrl"].as_str().unwrap_or_default().to_owned(),
                format!("{kind}/{id}"),
            ));
            answers.push(json!({"response": {"status": answer.0.to_string(), "location": answer.1}}));
        }
        // References within the Bundle become those of the server; conditional ones are resolved.
        for (_, place) in &places {
            let (kind, id) = place.split_once('/').unwrap_or_default();
            let key = (kind.to_owned(), id.to_owned());
            let mut body = self.ours[&key].clone();
            if !self.resolve(&mut body, &places) {
                self.ours = before;
                return (412, None, Some(outcome("not-found")));
            }
            self.ours.insert(key, body);
        }
        (
            200,
            None,
            Some(json!({"resourceType": "Bundle", "type": "transaction-response", "entry": answers})),
        )
    }

    fn resolve(&self, value: &mut Value, places: &[(String, String)]) -> bool {
        match value {
            Value::Object(object) => {
                if let Some(Value::String(reference)) = object.get_mut("reference") {
                    if let Some((_, place)) = places.iter().find(|(url, _)| url == reference) {
                        reference.clone_from(place);
                    } else if let Some((kind, token)) = reference.clone().split_once("?identifier=") {
                        match self.having(kind, token).as_slice() {
                            [id] => *reference = format!("{kind}/{id}"),
                            _ => return false,
                        }
                    }
                }
                object.values_mut().all(|value| self.resolve(value, places))
            }
            Value::Array(items) => items.iter_mut().all(|value| self.resolve(value, places)),
            _ => true,
        }
    }
}

pub fn outcome(code: &str) -> Value {
    json!({"resourceType": "OperationOutcome", "issue": [{"severity": "error", "code": code}]})
}
