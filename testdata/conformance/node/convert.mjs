// Converts quantities with an independent UCUM library, for comparison with the
// table of units of this project. Everything is offline.
import { createRequire } from 'node:module';
import { readFileSync } from 'node:fs';

// The package ships CommonJS; require() loads it alike on every Node release.
const require = createRequire(import.meta.url);
const { UcumLhcUtils } = require('@lhncbc/ucum-lhc');

const EXIT_MISUSE = 2;
const USAGE = `usage: node convert.mjs < conversions.ndjson

Reads one JSON object per line and prints one per line in the same order:
{"from", "to", "value", "molarMass", "charge"}: the last two where the way leads
between mass, moles and equivalents. Printed is {"value"} or {"error"}. An error
also says when either code is not valid UCUM as it stands.
Exit status: 0 done, 2 misuse (nothing to convert, unreadable input).
`;

const ucum = UcumLhcUtils.getInstance();

// The library may repair a code that it does not know, so that the code it
// understood is compared with the one that was meant.
function fault(code) {
  const { status, ucumCode, msg } = ucum.validateUnitString(code, false);
  if (status !== 'valid') return `${JSON.stringify(code)} is ${status}: ${msg.join('; ')}`;
  if (ucumCode !== code) return `${JSON.stringify(code)} was read as ${JSON.stringify(ucumCode)}`;
  const specified = ucum.getSpecifiedUnit(code, 'validate');
  if (!specified.unit) return `${JSON.stringify(code)} has no unit: ${specified.retMsg.join('; ')}`;
  return undefined;
}

function convert({ from, to, value, molarMass, charge }) {
  const wrong = fault(from) ?? fault(to);
  if (wrong) return { error: wrong };
  const result = ucum.convertUnitTo(from, value, to, {
    molecularWeight: molarMass || null,
    charge: charge || null,
  });
  if (result.status !== 'succeeded') return { error: `${result.status}: ${result.msg.join('; ')}` };
  return { value: result.toVal };
}

const lines = readFileSync(0, 'utf8').split('\n').filter((line) => line.trim() !== '');
if (lines.length === 0) {
  process.stderr.write(USAGE);
  process.exit(EXIT_MISUSE);
}
const answers = [];
for (const [i, line] of lines.entries()) {
  try {
    answers.push(JSON.stringify(convert(JSON.parse(line))));
  } catch (error) {
    process.stderr.write(`line ${i + 1}: ${error.message}\n`);
    process.exit(EXIT_MISUSE);
  }
}
process.stdout.write(`${answers.join('\n')}\n`);
