// Checks what must hold between the resources of a whole server, one per line of
// standard input, and between a computed value and what it was computed from. The
// formulas are written anew here, from the publications. Everything is offline.
import { createRequire } from 'node:module';
import { readFileSync } from 'node:fs';
import { ucum, unitFault } from './units.mjs';

// These packages ship CommonJS; require() loads them alike on every Node release.
const require = createRequire(import.meta.url);
const fhirpath = require('fhirpath');
const r4 = require('fhirpath/fhir-context/r4');

const EXIT_FAULTS = 1;
const EXIT_MISUSE = 2;
const USAGE = `usage: node invariants.mjs [--count] < resources.ndjson

Reads every resource of a server, one per line, and prints one line per fault:
LINE<tab>ResourceType/id<tab>invariant: message
  --count  print last, after line number 0, how many values of each equation were computed again
Exit status: 0 no fault, 1 faults found, 2 misuse (nothing to check, unreadable input).
`;

const LOINC = 'http://loinc.org';
const UCUM = 'http://unitsofmeasure.org';
const SYSTOLIC = '8480-6';
const DIASTOLIC = '8462-4';
const DATA_ABSENT = 'http://terminology.hl7.org/CodeSystem/data-absent-reason';
// What is observed without a confirmed LOINC code.
const LOCAL = JSON.parse(readFileSync(new URL('./local-codes.json', import.meta.url), 'utf8'));
const LOCAL_CODES = new Set(LOCAL.codes);

// How far a value that is computed again may lie from the one that is published,
// as a fraction of it.
const CLOSE = 1e-9;

// --- reading -------------------------------------------------------------

const list = (v) => (Array.isArray(v) ? v : v === undefined || v === null ? [] : [v]);
const isObject = (v) => v !== null && typeof v === 'object' && !Array.isArray(v);
const codings = (concept) => list(concept?.coding);
const oneLine = (s) => String(s).replace(/\s+/g, ' ').trim();
const nameOf = (r) => `${r.resourceType}/${r.id}`;

// Lines are numbered as they stand in the input, empty ones too.
const resources = [];
for (const [i, text] of readFileSync(0, 'utf8').split('\n').entries()) {
  if (text.trim() === '') continue;
  try {
    resources.push({ line: i + 1, resource: JSON.parse(text) });
  } catch (error) {
    process.stderr.write(`line ${i + 1}: ${error.message}\n`);
    process.exit(EXIT_MISUSE);
  }
}
if (resources.length === 0) {
  process.stderr.write(USAGE);
  process.exit(EXIT_MISUSE);
}
const byName = new Map(resources.map(({ resource }) => [nameOf(resource), resource]));
const resolve = (reference) => byName.get(String(reference).replace(/\/_history\/[^/]+$/, ''));
const byCanonical = new Map(resources.filter(({ resource: r }) => r.url && r.version).map(({ resource: r }) => [`${r.url}|${r.version}`, r]));

// Every reference in a resource that names another one here.
function* references(value) {
  if (Array.isArray(value)) {
    for (const each of value) yield* references(each);
  } else if (isObject(value)) {
    for (const [key, each] of Object.entries(value)) {
      if (key === 'reference' && typeof each === 'string' && /^[A-Z][A-Za-z]+\//.test(each)) yield each;
      else if (isObject(each) || Array.isArray(each)) yield* references(each);
    }
  }
}

// Of whom a resource is, if it is of a patient.
const patientOf = (r) => (r.resourceType === 'Patient' ? nameOf(r) : (r.subject ?? r.patient ?? r.for)?.reference);

const counted = ['final', 'amended', 'corrected'];
// What was told in confidence and was published before keeps nothing but its id.
const masked = (r) => codings(r.code).some((c) => c.system === DATA_ABSENT && c.code === 'masked');
const computed = (r) => r.resourceType === 'Observation' && r.device !== undefined;

// --- references ----------------------------------------------------------

function* referenceIntegrity(r) {
  for (const reference of references(r)) {
    const target = resolve(reference);
    if (!target) {
      yield `${reference} is not here`;
      continue;
    }
    const [mine, theirs] = [patientOf(r), patientOf(target)];
    if (mine && theirs && mine !== theirs) yield `${reference} is of another patient`;
  }
}

// --- plans ---------------------------------------------------------------

// What is over stays as it ended, whatever becomes of the plan.
const over = new Set(['completed', 'revoked', 'cancelled', 'failed', 'rejected', 'stopped', 'entered-in-error']);
const REQUEST_STATUS = new Set(['draft', 'active', 'on-hold', 'revoked', 'completed', 'entered-in-error', 'unknown']);
const outcomesOf = (concepts) => new Set(list(concepts).flatMap(codings).map((c) => c.code));
const namesOf = (references) => new Set(list(references).map((r) => r.reference));

// Each activity of a plan agrees with the work that it points to, and both with
// the status of the plan.
function* planAgreement(r) {
  if (r.resourceType !== 'CarePlan') return;
  for (const [i, activity] of list(r.activity).entries()) {
    const at = `activity[${i}]`;
    if (activity.reference && activity.detail) yield `${at} has both a reference and a detail (cpl-3)`;
    const target = activity.reference ? resolve(activity.reference.reference) : activity.detail;
    if (!target) {
      yield `${at} leads to nothing`;
      continue;
    }
    const { status } = target;
    if (['revoked', 'entered-in-error'].includes(r.status) && !over.has(status)) yield `${at} is ${status} in a plan that is ${r.status}`;
    if (r.status === 'on-hold' && !over.has(status) && status !== 'on-hold') yield `${at} is ${status} in a plan that is on hold`;
    if (['active', 'completed'].includes(r.status) && status === 'on-hold') yield `${at} is on hold in a plan that is ${r.status}`;
    if (target.resourceType === 'ServiceRequest' && !REQUEST_STATUS.has(status)) yield `${at} has no status of a request: ${status}`;
    if (target.resourceType && !namesOf(target.basedOn).has(nameOf(r))) yield `${at} is not based on the plan`;
    const outcomes = outcomesOf(activity.outcomeCodeableConcept);
    if (outcomes.has('not-met') && status !== 'completed') yield `${at} was not met and is ${status}`;
    if (outcomes.has('waived') && !['cancelled', 'revoked'].includes(status)) yield `${at} was waived and is ${status}`;
    if (target.resourceType !== 'Task') continue;
    // What came of restricted work is told by the task alone, which bears the label.
    const restricted = list(target.meta?.security).some((label) => label.code === 'R');
    if (outcomes.has('not-met') !== (outcomesOf(target.businessStatus).has('not-met') && !restricted)) yield `${at} and its task don't agree on what came of it`;
    if (outcomes.has('waived') !== outcomesOf(target.statusReason).has('waived')) yield `${at} and its task don't agree on whether it was waived`;
    const evidence = namesOf(list(target.output).map((o) => o.valueReference).filter(Boolean));
    for (const name of namesOf(activity.outcomeReference)) {
      if (!evidence.has(name)) yield `${at} stands on ${name}, its task does not`;
    }
  }
}

// What answers a request is among the outcomes of its activity.
const outcomeOf = new Map();
for (const { resource: plan } of resources) {
  if (plan.resourceType !== 'CarePlan') continue;
  for (const activity of list(plan.activity)) {
    if (activity.reference) outcomeOf.set(activity.reference.reference, namesOf(activity.outcomeReference));
  }
}

function* requestAnswered(r) {
  if (r.resourceType !== 'Observation') return;
  for (const { reference } of list(r.basedOn).filter((b) => b.reference)) {
    if (!outcomeOf.get(reference)?.has(nameOf(r))) yield `it is based on ${reference}, of which it is no outcome`;
  }
}

// When an episode is over, nothing waits to be done.
const finished = new Set(resources.filter(({ resource: r }) => r.resourceType === 'EpisodeOfCare' && ['finished', 'cancelled'].includes(r.status))
  .map(({ resource: r }) => patientOf(r)));

function* nothingWaits(r) {
  if (!['Task', 'ServiceRequest'].includes(r.resourceType) || !finished.has(patientOf(r))) return;
  if (!over.has(r.status)) yield `it is ${r.status} and the episode is over`;
}

// --- computed values -----------------------------------------------------

const component = (o, code) => list(o.component).find((c) => codings(c.code).some((each) => each.code === code));
const used = (o, name) => list(o.component).find((c) => c.code?.text === name);
const word = (o, name) => {
  const text = used(o, name)?.valueCodeableConcept?.text;
  if (text === undefined) throw new Error(`the ${name} that was used is not said`);
  return text;
};
const amount = (quantity, what) => {
  if (typeof quantity?.value !== 'number' || quantity.comparator) throw new Error(`${what} is not a number`);
  return quantity.value;
};


// A number in another unit of the same kind of quantity.
function inUnit(quantity, unit, what, molarMass) {
  const value = amount(quantity, what);
  if (quantity.code === unit) return value;
  const { status, toVal, msg } = ucum.convertUnitTo(quantity.code, value, unit, { molecularWeight: molarMass ?? null });
  if (status !== 'succeeded') throw new Error(`${what}: ${oneLine(list(msg).join('; '))}`);
  return toVal;
}

// The results that went in, by the part that each had.
function inputsOf(o) {
  const inputs = list(o.derivedFrom).map((reference) => {
    const result = resolve(reference.reference);
    if (!result) throw new Error(`${reference.reference} is not here`);
    return { part: reference.display, result };
  });
  return {
    all: inputs,
    one(part) {
      const found = inputs.filter((i) => i.part === part);
      if (found.length !== 1) throw new Error(`${found.length} results are the ${part}`);
      return found[0].result;
    },
    coded: (code) => inputs.filter((i) => codings(i.result.code).some((c) => c.code === code)).map((i) => i.result),
  };
}

const mean = (numbers) => numbers.reduce((sum, n) => sum + n, 0) / numbers.length;
const instantOf = (o) => {
  const text = o.effectiveDateTime ?? o.effectivePeriod?.start;
  if (!/T/.test(text ?? '')) throw new Error(`${nameOf(o)} has no time`);
  return Date.parse(text);
};
const minutesOf = ({ effectivePeriod: p }) => (Date.parse(p.end) - Date.parse(p.start)) / 60000;

// F 88.42 umol/L for 1 mg/dL is the project's constant for creatinine in serum.
function creatinineMgPerDL(quantity, what) {
  const value = amount(quantity, what);
  switch (quantity.code) {
    case 'mg/dL': return value;
    case 'umol/L': return value / 88.42;
    case 'mmol/L': return (value * 1000) / 88.42;
    default: throw new Error(`${what} is in ${quantity.code}`);
  }
}

const size = (inputs) => ({
  h: inUnit(inputs.one('height').valueQuantity, 'cm', 'height'),
  w: inUnit(inputs.one('weight').valueQuantity, 'kg', 'weight'),
});

// Du Bois 1916, Mosteller 1987, Haycock 1978: cm and kg to m2.
const SURFACE = {
  'bsa-dubois-1916': ({ h, w }) => 0.007184 * w ** 0.425 * h ** 0.725,
  'bsa-mosteller-1987': ({ h, w }) => Math.sqrt((h * w) / 3600),
  'bsa-haycock-1978': ({ h, w }) => 0.024265 * w ** 0.5378 * h ** 0.3964,
};

function surface(o, inputs) {
  const formula = word(o, 'body surface area formula');
  if (!SURFACE[formula]) throw new Error(`the formula ${formula} is not known here`);
  return SURFACE[formula](size(inputs));
}

// Concentrations of iohexol in ug/mL with minutes after the dose, and the dose in ug.
function plasma(inputs) {
  const dose = inputs.one('dose');
  const given = instantOf(dose);
  const samples = inputs.coded('iohexol-concentration').map((s) => ({
    t: (instantOf(s) - given) / 60000, c: inUnit(s.valueQuantity, 'ug/mL', 'concentration'),
  }));
  return { dose: inUnit(dose.valueQuantity, 'ug', 'dose'), samples: samples.sort((a, b) => a.t - b.t) };
}

// The correction for the early part of the curve: of the clearance for 1.73 m2, or
// of the absolute one and then for 1.73 m2.
const brochnerMortensen = (x) => 0.990778 * x - 0.001218 * x * x;
const CORRECTIONS = {
  'brochner-mortensen-1972': (cl, bsa) => brochnerMortensen((cl * 1.73) / bsa),
  'brochner-mortensen-1972-absolute': (cl, bsa) => (brochnerMortensen(cl) * 1.73) / bsa,
  'fleming-2007': (cl, bsa) => { const x = (cl * 1.73) / bsa; return x / (1 + 0.0017 * x); },
  'jodal-2009': (cl, bsa) => ((cl / (1 + 0.0032 * bsa ** -1.3 * cl)) * 1.73) / bsa,
  'ng-2011': (cl, bsa) => { const x = (cl * 1.73) / bsa; return x / (1 + (0.12 * x) / 100); },
};

// Least squares of ln C on t over the samples from 120 min on: dose times k over C0.
function slopeIntercept(o, inputs, correction) {
  const { dose, samples } = plasma(inputs);
  const late = samples.filter(({ t }) => t >= 120);
  const n = late.length;
  const sum = (of) => late.reduce((total, s) => total + of(s), 0);
  const [t, y, tt, ty] = [sum((s) => s.t), sum((s) => Math.log(s.c)), sum((s) => s.t * s.t), sum((s) => s.t * Math.log(s.c))];
  const slope = (n * ty - t * y) / (n * tt - t * t);
  const c0 = Math.exp((y - slope * t) / n);
  return CORRECTIONS[correction]((dose * -slope) / c0, surface(o, inputs));
}

// The dose over the area under two exponentials, fitted with the weight 1/C2 by
// Gauss and Newton with damping, from the residues of the slow phase.
function twoCompartments(o, inputs) {
  const { dose, samples: all } = plasma(inputs);
  const samples = all.filter(({ t }) => t >= 5);
  const line = (points) => {
    const [mt, my] = [mean(points.map((p) => p.t)), mean(points.map((p) => Math.log(p.c)))];
    const b = points.reduce((s, p) => s + (p.t - mt) * (Math.log(p.c) - my), 0) / points.reduce((s, p) => s + (p.t - mt) ** 2, 0);
    return { rate: -b, c0: Math.exp(my - b * mt) };
  };
  const slow = line(samples.filter(({ t }) => t >= 120));
  const rest = samples.filter(({ t }) => t < 120).map(({ t, c }) => ({ t, c: c - slow.c0 * Math.exp(-slow.rate * t) })).filter(({ c }) => c > 0);
  const fast = line(rest);
  let p = [fast.c0, fast.rate, slow.c0, slow.rate].map(Math.log); // all of them stay positive
  const residuals = (q) => {
    const [a, alpha, b, beta] = q.map(Math.exp);
    return samples.map(({ t, c }) => (a * Math.exp(-alpha * t) + b * Math.exp(-beta * t)) / c - 1);
  };
  const squares = (r) => r.reduce((s, x) => s + x * x, 0);
  let damping = 1e-3;
  for (let step = 0; step < 500; step++) {
    const [a, alpha, b, beta] = p.map(Math.exp);
    const r = residuals(p);
    const jacobian = samples.map(({ t, c }) => {
      const [x, y] = [(a * Math.exp(-alpha * t)) / c, (b * Math.exp(-beta * t)) / c];
      return [x, -x * alpha * t, y, -y * beta * t];
    });
    const normal = [0, 1, 2, 3].map((i) => [0, 1, 2, 3].map((j) => jacobian.reduce((s, row) => s + row[i] * row[j], 0)));
    const right = [0, 1, 2, 3].map((i) => -jacobian.reduce((s, row, n) => s + row[i] * r[n], 0));
    const delta = solve(normal.map((row, i) => row.map((x, j) => (i === j ? x * (1 + damping) : x))), right);
    const next = p.map((x, i) => x + delta[i]);
    if (squares(residuals(next)) <= squares(r)) {
      p = next;
      damping /= 10;
      if (delta.every((d) => Math.abs(d) < 1e-14)) break;
    } else {
      damping *= 10;
      if (damping > 1e12) break;
    }
  }
  const [a, alpha, b, beta] = p.map(Math.exp);
  return ((dose / (a / alpha + b / beta)) * 1.73) / surface(o, inputs);
}

// Gauss with the largest pivot.
function solve(matrix, right) {
  const m = matrix.map((row, i) => [...row, right[i]]);
  for (let i = 0; i < m.length; i++) {
    const pivot = m.slice(i).reduce((best, row, n) => (Math.abs(row[i]) > Math.abs(m[best][i]) ? n + i : best), i);
    [m[i], m[pivot]] = [m[pivot], m[i]];
    for (let j = i + 1; j < m.length; j++) {
      const factor = m[j][i] / m[i][i];
      for (let k = i; k <= m.length; k++) m[j][k] -= factor * m[i][k];
    }
  }
  const x = new Array(m.length).fill(0);
  for (let i = m.length - 1; i >= 0; i--) {
    x[i] = (m[i][m.length] - m[i].reduce((s, value, j) => (j > i && j < m.length ? s + value * x[j] : s), 0)) / m[i][i];
  }
  return x;
}

// Mean of the sittings' means; the first of three readings or more is left out.
function officeMean(part) {
  return (o, inputs) => {
    const sittings = new Map();
    for (const { part: sitting, result } of inputs.all) {
      sittings.set(sitting, [...(sittings.get(sitting) ?? []), amount(component(result, part)?.valueQuantity, 'pressure')]);
    }
    return mean([...sittings.values()].map((readings) => mean(readings.length >= 3 ? readings.slice(1) : readings)));
  };
}

const readingsMean = (part) => (o, inputs) => mean(inputs.coded('ambulatory-reading').map((r) => amount(component(r, part)?.valueQuantity, 'pressure')));
const bothParts = (formula) => ({ [SYSTOLIC]: formula(SYSTOLIC), [DIASTOLIC]: formula(DIASTOLIC) });

// By the id of the equation: a function for the value, or one for each component.
const EQUATIONS = {
  // kg over m2.
  'bmi-quetelet-1972': (o, inputs) => { const { h, w } = size(inputs); return w / (h / 100) ** 2; },
  // Inker, N Engl J Med 2021;385:1737.
  'ckdepi-cr-2021': (o, inputs) => {
    const scr = creatinineMgPerDL(inputs.one('serum creatinine').valueQuantity, 'serum creatinine');
    const age = amount(used(o, 'age')?.valueQuantity, 'age');
    const female = word(o, 'sex') === 'female';
    const [k, a] = female ? [0.7, -0.241] : [0.9, -0.302];
    return 142 * Math.min(scr / k, 1) ** a * Math.max(scr / k, 1) ** -1.2 * 0.9938 ** age * (female ? 1.012 : 1);
  },
  // Urine concentration times volume over serum concentration times time, for 1.73 m2.
  'creatinine-clearance-timed-urine': (o, inputs) => {
    const urine = inputs.one('urine creatinine');
    const u = creatinineMgPerDL(urine.valueQuantity, 'urine creatinine');
    const volume = inputs.one('urine volume');
    const serum = mean(inputs.all.filter((i) => i.part === 'serum creatinine').map((i) => creatinineMgPerDL(i.result.valueQuantity, 'serum creatinine')));
    const clearance = (u * inUnit(volume.valueQuantity, 'mL', 'volume')) / (serum * minutesOf(volume));
    return (clearance * 1.73) / surface(o, inputs);
  },
  // mg/L times L, for a day of 1440 min.
  'albumin-excretion-24h': (o, inputs) => {
    const volume = inputs.one('urine volume');
    const albumin = inUnit(inputs.one('urine albumin').valueQuantity, 'mg/L', 'urine albumin');
    return (albumin * inUnit(volume.valueQuantity, 'L', 'volume') * 1440) / minutesOf(volume);
  },
  'office-mean-acc-aha-2017': bothParts(officeMean),
  'ambulatory-mean-day-acc-aha-2017': bothParts(readingsMean),
  'ambulatory-mean-night-acc-aha-2017': bothParts(readingsMean),
  'ambulatory-mean-24h-acc-aha-2017': bothParts(readingsMean),
  'iohexol-two-compartment': twoCompartments,
};
for (const correction of Object.keys(CORRECTIONS)) {
  EQUATIONS[`iohexol-slope-intercept-${correction}`] = (o, inputs) => slopeIntercept(o, inputs, correction);
}

const equationsSeen = new Map();

function* recomputation(o) {
  if (!computed(o) || !counted.includes(o.status)) return;
  const equation = o.method?.text;
  const formula = EQUATIONS[equation];
  if (!formula) {
    yield `there is no formula here for ${equation}`;
    return;
  }
  equationsSeen.set(equation, (equationsSeen.get(equation) ?? 0) + 1);
  const inputs = inputsOf(o);
  if (inputs.all.length === 0) yield 'it is derived from nothing';
  for (const { result } of inputs.all) {
    if (!counted.includes(result.status)) yield `${nameOf(result)} is ${result.status} and does not count`;
  }
  const parts = typeof formula === 'function' ? [[undefined, formula]] : Object.entries(formula);
  for (const [code, again] of parts) {
    const published = amount(code ? component(o, code)?.valueQuantity : o.valueQuantity, 'what is published');
    const value = again(o, inputs);
    if (!(Math.abs(value - published) <= CLOSE * Math.abs(value))) {
      yield `${code ? `${code} is` : 'it is'} ${published}, computed again ${value}`;
    }
  }
}

// Completed years on the day of the sample. Where the sample's day in the zone of
// the programme is another one than that of its own zone, the day beside counts.
function* personUsed(o) {
  if (!computed(o) || !counted.includes(o.status)) return;
  const patient = resolve(o.subject.reference);
  const age = used(o, 'age')?.valueQuantity?.value;
  if (age !== undefined && patient) {
    const text = o.effectiveDateTime ?? o.effectivePeriod?.start;
    const years = [-1, 0, 1].map((days) => {
      const day = new Date(Date.parse(`${text.slice(0, 10)}T12:00:00Z`) + days * 86400000).toISOString().slice(0, 10);
      const [y, m, d] = day.split('-').map(Number);
      const [by, bm, bd] = patient.birthDate.split('-').map(Number);
      return y - by - (m < bm || (m === bm && d < bd) ? 1 : 0);
    });
    if (!years.includes(age)) yield `the age is ${age}, by the birth date ${years[1]}`;
  }
  const sex = used(o, 'sex')?.valueCodeableConcept?.text;
  if (sex !== undefined && patient && patient.gender !== sex) yield `the sex is ${sex}, the patient's gender ${patient.gender}`;
}

// --- FHIRPath rules of R4 ------------------------------------------------

// obs-6 and obs-7 as the definition of Observation has them, qty-3 as that of
// Quantity, over whatever holds one.
const RULES = {
  Observation: [
    ['obs-6', 'dataAbsentReason.empty() or value.empty()', 'there is a value and the reason why there is none'],
    ['obs-7', 'value.empty() or component.code.where(coding.intersect(%resource.code.coding).exists()).empty()', 'a component has the code of the Observation, which has a value'],
  ],
};
const QTY_3 = fhirpath.compile('code.empty() or system.exists()', r4);
const compiled = Object.fromEntries(Object.entries(RULES).map(([type, rules]) => [
  type, rules.map(([key, expression, message]) => [key, fhirpath.compile(expression, r4), message]),
]));
const holds = (rule, value, resource) => {
  const result = rule(value, { resource, rootResource: resource });
  return result.length === 1 && result[0] === true;
};

// A Quantity is recognised by its members: there is no other element with a number
// under value.
function* quantitiesIn(value, path) {
  if (Array.isArray(value)) {
    for (const [i, each] of value.entries()) yield* quantitiesIn(each, `${path}[${i}]`);
  } else if (isObject(value)) {
    if (typeof value.value === 'number') yield [path, value];
    for (const [key, each] of Object.entries(value)) {
      if (isObject(each) || Array.isArray(each)) yield* quantitiesIn(each, path === '' ? key : `${path}.${key}`);
    }
  }
}

function* rules(r) {
  for (const [key, rule, message] of compiled[r.resourceType] ?? []) {
    if (!holds(rule, r, r)) yield [key, message];
  }
  for (const [path, quantity] of quantitiesIn(r, '')) {
    if (!holds(QTY_3, quantity, r)) yield ['qty-3', `a unit code needs its system (${path})`];
    if (quantity.system === UCUM && typeof quantity.code === 'string') {
      const fault = unitFault(quantity.code);
      if (fault) yield ['ucum', `${JSON.stringify(quantity.code)} is not a UCUM unit: ${fault} (${path})`];
    }
  }
}

// --- codes ---------------------------------------------------------------

function loincValid(code) {
  const m = /^(\d{1,7})-(\d)$/.exec(code);
  if (!m) return false;
  let sum = 0;
  [...m[1]].reverse().forEach((digit, i) => {
    const d = Number(digit) * (i % 2 === 0 ? 2 : 1);
    sum += d > 9 ? d - 9 : d;
  });
  return (10 - (sum % 10)) % 10 === Number(m[2]);
}

// What is observed has a LOINC code, or a code that is known to have none with its
// words beside it. A laboratory's own code stays its own.
function* loincPresence(r) {
  if (r.resourceType !== 'Observation' || masked(r)) return;
  const coded = codings(r.code);
  const loinc = coded.filter((c) => c.system === LOINC);
  for (const c of loinc) {
    if (!loincValid(c.code)) yield `${c.code} is not a LOINC number`;
  }
  if (loinc.length > 0) return;
  if (!r.code?.text) yield 'without a LOINC code there is no text';
  for (const c of coded) {
    if (loincValid(c.code)) yield `${c.code} is a LOINC number of another system, ${c.system}`;
    else if (c.system === LOCAL.system && !LOCAL_CODES.has(c.code)) yield `${c.code} has no LOINC code and is not listed as having none`;
  }
  if (coded.length === 0) yield 'there is no code';
}

// --- what stands on results ----------------------------------------------

// A banner stands only as long as its issue is open.
function* openIssue(r) {
  if (r.resourceType !== 'Flag' || r.status !== 'active') return;
  const issue = byName.get(`DetectedIssue/${r.id}`);
  if (!issue) yield 'there is no such issue';
  else if (!['preliminary', 'final'].includes(issue.status)) yield `its issue is ${issue.status}`;
  else if (list(issue.mitigation).length > 0) yield 'something was done about its issue';
}

const closedReport = ['final', 'amended', 'corrected', 'appended'];

function* reportStatus(r) {
  if (r.resourceType !== 'DiagnosticReport') return;
  const results = list(r.result).map((reference) => resolve(reference.reference)).filter(Boolean);
  const has = (...statuses) => results.some((o) => statuses.includes(o.status));
  if (closedReport.includes(r.status) && has('registered', 'preliminary')) yield `it is ${r.status} and a result is to come`;
  if (r.status === 'final' && has('corrected')) yield 'it is final and a result was corrected';
  if (!['entered-in-error', 'cancelled'].includes(r.status) && results.length === 0) yield 'it has no results';
}

// Every answer is to a question of the form that is named.
function* answers(r) {
  if (r.resourceType !== 'QuestionnaireResponse' || !r.questionnaire) return;
  const form = byCanonical.get(r.questionnaire);
  if (!form) {
    yield `the form ${r.questionnaire} is not here`;
    return;
  }
  yield* below(r.item, form.item);
}

function* below(items, questions) {
  for (const item of list(items)) {
    const question = list(questions).find((q) => q.linkId === item.linkId);
    if (!question) {
      yield `${item.linkId} is no question of the form`;
      continue;
    }
    for (const answer of list(item.answer)) {
      const choices = list(question.answerOption).map((o) => o.valueCoding?.code);
      if (answer.valueCoding && !choices.includes(answer.valueCoding.code)) yield `${answer.valueCoding.code} is no answer to ${item.linkId}`;
      yield* below(answer.item, question.item);
    }
    yield* below(item.item, question.item);
  }
}

// --- all of it -----------------------------------------------------------

const INVARIANTS = {
  reference: referenceIntegrity,
  plan: planAgreement,
  request: requestAnswered,
  episode: nothingWaits,
  computed: recomputation,
  person: personUsed,
  loinc: loincPresence,
  banner: openIssue,
  report: reportStatus,
  answer: answers,
};

let faults = 0;
for (const { line, resource } of resources) {
  const say = (key, message) => {
    faults += 1;
    process.stdout.write(`${line}\t${oneLine(nameOf(resource))}\t${key}: ${oneLine(message)}\n`);
  };
  for (const [key, invariant] of Object.entries(INVARIANTS)) {
    try {
      for (const message of invariant(resource)) say(key, message);
    } catch (error) {
      say(key, `cannot be checked: ${error.message}`);
    }
  }
  for (const [key, message] of rules(resource)) say(key, message);
}
if (process.argv.includes('--count')) {
  process.stdout.write(`0\t-\t${JSON.stringify(Object.fromEntries(equationsSeen))}\n`);
}
process.exitCode = faults > 0 ? EXIT_FAULTS : 0;
