// Reads iCalendar files with ical.js, a parser of another project, and writes what it makes
// of each as one line of JSON. The input is JSON: a list of texts.
import ICAL from "ical.js";

let input = "";
for await (const chunk of process.stdin) input += chunk;
for (const text of JSON.parse(input)) {
  const lines = text.split("\r\n");
  const long = lines.filter((l) => Buffer.byteLength(l) > 75).length;
  const bare = /[^\r]\n|\r[^\n]/.test(text);
  const calendar = new ICAL.Component(ICAL.parse(text));
  const value = (c, name) => c.getFirstPropertyValue(name);
  const events = calendar.getAllSubcomponents("vevent").map((e) => ({
    uid: value(e, "uid"), sequence: value(e, "sequence"), summary: value(e, "summary"), location: value(e, "location"),
    status: value(e, "status"), class: value(e, "class"), organizer: value(e, "organizer"),
    starts: value(e, "dtstart").toJSDate().toISOString(), ends: value(e, "dtend").toJSDate().toISOString(),
    zone: value(e, "dtstart").zone.tzid, stamp: value(e, "dtstamp").toJSDate().toISOString(),
    names: e.getAllProperties().map((p) => p.name).sort(),
  }));
  console.log(JSON.stringify({ method: value(calendar, "method"), version: value(calendar, "version"), product: value(calendar, "prodid"), long, bare, events }));
}
