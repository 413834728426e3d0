// Units as the UCUM library of the NLM knows them.
import { createRequire } from 'node:module';

const require = createRequire(import.meta.url);
const { UcumLhcUtils } = require('@lhncbc/ucum-lhc');

export const ucum = UcumLhcUtils.getInstance();
const faults = new Map();

const reason = (result) => [result.msg].flat().filter(Boolean).join('; ').replace(/\s+/g, ' ').trim() || result.status;

// What is wrong with a unit code, empty if nothing is.
export function unitFault(code) {
  if (!faults.has(code)) {
    // The library prints to the console for some inputs, which would end up among the faults.
    const { log, error, warn } = console;
    console.log = console.error = console.warn = () => {};
    try {
      // A blank is never valid, and the library would quietly strip it.
      const result = /\s/.test(code) ? { status: 'invalid', msg: ['contains a blank'] } : ucum.validateUnitString(code, true);
      faults.set(code, result.status === 'valid' ? '' : reason(result));
    } finally {
      Object.assign(console, { log, error, warn });
    }
  }
  return faults.get(code);
}
