// Splits HL7 v2 messages with an independent library, for comparison with the
// parser of this project. Everything is offline.
import { readFileSync } from 'node:fs';
import { Hl7Message } from '@medplum/core';

const EXIT_MISUSE = 2;
const USAGE = `usage: node hl7.mjs < messages.ndjson

Reads one JSON string per line, a message each, and prints one line for each in
the same order: its segments as {"name", "fields"}, where fields are lists of
repetitions of components of subcomponents. Of MSH the fields begin with MSH-3.
Exit status: 0 done, 2 misuse (nothing to read, unreadable input).
`;

function split(text) {
  const message = Hl7Message.parse(text);
  const segments = message.segments.filter((segment) => segment.name !== '');
  return segments.map((segment) => {
    const { subcomponentSeparator } = segment.context;
    // The library counts the name as a field, and MSH-1 as none.
    const fields = segment.fields.slice(segment.name === 'MSH' ? 2 : 1);
    return {
      name: segment.name,
      fields: fields.map((field) =>
        field.components.map((components, repetition) =>
          components.map((raw, component) =>
            raw.split(subcomponentSeparator).map((_, part) => field.getComponent(component + 1, part, repetition)),
          ),
        ),
      ),
    };
  });
}

const lines = readFileSync(0, 'utf8').split('\n').filter((line) => line.trim() !== '');
if (lines.length === 0) {
  process.stderr.write(USAGE);
  process.exit(EXIT_MISUSE);
}
const answers = [];
for (const [i, line] of lines.entries()) {
  try {
    answers.push(JSON.stringify(split(JSON.parse(line))));
  } catch (error) {
    process.stderr.write(`line ${i + 1}: ${error.message}\n`);
    process.exit(EXIT_MISUSE);
  }
}
process.stdout.write(`${answers.join('\n')}\n`);
