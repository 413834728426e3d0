// Lets clients from npm work with a live server, unmodified and in their usual way:
// discover, authorise by a signed assertion, read, search, page, include, fetch
// everything of a patient, export, and write results.
//
//   node clients.mjs keys DIR        makes keys: DIR/NAME.json private, DIR/NAME.jwks.json public
//   node clients.mjs run BASE DIR    works with the FHIR endpoint BASE as the clients of DIR/clients.json
//
// It prints a line "ok CLIENT: STEP" for each step, and ends with 1 at the first
// that does not do as it should.
import assert from 'node:assert/strict';
import {randomUUID} from 'node:crypto';
import {readFileSync, writeFileSync} from 'node:fs';
import {createRequire} from 'node:module';
import {IncomingMessage, ServerResponse} from 'node:http';
import {Socket} from 'node:net';
import {join} from 'node:path';
import {MedplumClient} from '@medplum/core';
import {Client as KitClient} from 'fhir-kit-client';
import {exportJWK, generateKeyPair, importJWK, SignJWT} from 'jose';

const require = createRequire(import.meta.url);
const smart = require('fhirclient');
const smartDiscovery = require('fhirclient/lib/smart.js');

const algorithms = {reader: 'ES384', published: 'RS384', laboratory: 'ES384', auditor: 'RS384', narrow: 'ES384'};

async function makeKeys(dir) {
  for (const [name, alg] of Object.entries(algorithms)) {
    const {publicKey, privateKey} = await generateKeyPair(alg, {extractable: true, modulusLength: 3072});
    const more = {kid: `${name}-1`, alg, use: 'sig'};
    writeFileSync(join(dir, `${name}.json`), JSON.stringify({...await exportJWK(privateKey), ...more}), {mode: 0o600});
    writeFileSync(join(dir, `${name}.jwks.json`), JSON.stringify({keys: [{...await exportJWK(publicKey), ...more}]}));
  }
}

let client = '';

async function step(name, work) {
  const result = await work();
  console.log(`ok ${client}: ${name}`);
  return result;
}

// assertion is what a client shows instead of a password.
async function assertion(dir, name, id, audience) {
  const jwk = JSON.parse(readFileSync(join(dir, `${name}.json`)));
  return new SignJWT({}).setProtectedHeader({alg: jwk.alg, kid: jwk.kid, typ: 'JWT'})
    .setIssuer(id).setSubject(id).setAudience(audience).setJti(randomUUID()).setIssuedAt().setExpirationTime('4m')
    .sign(await importJWK(jwk, jwk.alg));
}

// authorise gets a token as SMART Backend Services has it; none of the two FHIR
// clients does that part by itself.
async function authorise(dir, name, id, tokenURL, scope) {
  const res = await fetch(tokenURL, {
    method: 'POST',
    body: new URLSearchParams({
      grant_type: 'client_credentials', scope, client_assertion: await assertion(dir, name, id, tokenURL),
      client_assertion_type: 'urn:ietf:params:oauth:client-assertion-type:jwt-bearer',
    }),
  });
  const answer = await res.json();
  assert.equal(res.status, 200, JSON.stringify(answer));
  assert.equal(answer.token_type, 'bearer');
  assert.ok(answer.expires_in <= 300);
  assert.match(res.headers.get('cache-control'), /no-store/);
  return answer;
}

// refused checks that work fails with the status and an OperationOutcome.
async function refused(work, status, code, of) {
  try {
    await work();
  } catch (err) {
    const {got, outcome} = of(err);
    assert.equal(got, status, String(err));
    assert.equal(outcome?.resourceType, 'OperationOutcome', JSON.stringify(outcome));
    assert.equal(outcome.issue[0].code, code);
    return;
  }
  assert.fail(`it was not refused with ${status}`);
}

const unique = list => new Set(list).size === list.length;

// A general FHIR client.
async function kit(base, dir, ids) {
  client = 'fhir-kit-client';
  const c = new KitClient({baseUrl: base});
  const auth = await step('discover', async () => {
    const found = await c.smartAuthMetadata();
    assert.equal(String(found.tokenUrl), base.replace(/\/fhir$/, '/auth/token'));
    const statement = await c.capabilityStatement();
    assert.equal(statement.fhirVersion, '4.0.1');
    assert.equal(statement.rest[0].security.service[0].coding[0].code, 'SMART-on-FHIR');
    return found;
  });
  await step('a request without a token is refused', () => refused(() => c.search({resourceType: 'Patient', searchParams: {}}), 401, 'login', kitError));
  await step('authorise', async () => {
    const answer = await authorise(dir, 'reader', ids.reader, String(auth.tokenUrl), 'system/*.rs');
    assert.equal(answer.scope, 'system/*.rs');
    c.bearerToken = answer.access_token;
  });
  const patients = await step('search and page to the end', async () => {
    let page = await c.search({resourceType: 'Patient', searchParams: {_count: 7, _total: 'accurate'}});
    const total = page.total, list = [];
    assert.ok(total > 14);
    for (; page; page = await c.nextPage({bundle: page})) {
      assert.equal(page.type, 'searchset');
      list.push(...(page.entry ?? []).map(e => e.resource));
    }
    assert.equal(list.length, total);
    assert.ok(unique(list.map(p => p.id)));
    return list;
  });
  const id = patients[0].id;
  await step('read, vread and history', async () => {
    const patient = await c.read({resourceType: 'Patient', id});
    assert.deepEqual(patient, patients[0]);
    const version = await c.vread({resourceType: 'Patient', id, version: patient.meta.versionId});
    assert.deepEqual(version, patient);
    const history = await c.history({resourceType: 'Patient', id});
    assert.equal(history.type, 'history');
    assert.equal(history.entry[0].resource.id, id);
    const {response} = KitClient.httpFor(patient);
    assert.match(response.headers.get('etag'), /^W\/"\d+"$/);
  });
  await step('search by POST with a patient and a code', async () => {
    const found = await c.search({resourceType: 'Observation', searchParams: {patient: id, category: 'laboratory'}, options: {method: 'POST', postSearch: true}});
    for (const e of found.entry ?? []) assert.equal(e.resource.subject.reference, `Patient/${id}`);
  });
  await step('include what a plan leads to', async () => {
    const found = await c.search({resourceType: 'CarePlan', searchParams: {_include: 'CarePlan:patient', _count: 5}});
    const matches = found.entry.filter(e => e.search.mode === 'match'), included = found.entry.filter(e => e.search.mode === 'include');
    assert.ok(matches.length > 0 && included.length > 0);
    const wanted = new Set(matches.map(e => e.resource.subject.reference));
    for (const e of included) assert.ok(wanted.has(`${e.resource.resourceType}/${e.resource.id}`));
  });
  await step('everything of a patient', async () => {
    let page = await c.operation({name: 'everything', resourceType: 'Patient', id, method: 'GET'});
    const types = new Set();
    let n = 0;
    for (; page; page = await c.nextPage({bundle: page})) {
      for (const e of page.entry ?? []) {
        types.add(e.resource.resourceType);
        n++;
      }
    }
    assert.ok(types.has('Patient') && types.has('CarePlan') && types.has('Observation'), [...types].join());
    assert.ok(!types.has('AuditEvent'));
    assert.ok(n > 20);
  });
  await step('what is not there is 404, and who may not look is told so', async () => {
    await refused(() => c.read({resourceType: 'Patient', id: 'nobody'}), 404, 'not-found', kitError);
    await refused(() => c.search({resourceType: 'AuditEvent', searchParams: {}}), 403, 'forbidden', kitError);
    await refused(() => c.search({resourceType: 'Patient', searchParams: {eye: 'blue'}, options: {headers: {Prefer: 'handling=strict'}}}), 400, 'not-supported', kitError);
    await refused(() => c.create({resourceType: 'Observation', body: {resourceType: 'Observation', status: 'final'}}), 403, 'forbidden', kitError);
  });
  await step('a narrowed token sees less', async () => {
    const narrow = new KitClient({baseUrl: base});
    const answer = await authorise(dir, 'narrow', ids.narrow, String(auth.tokenUrl), 'system/Observation.rs system/Patient.r system/CarePlan.rs');
    assert.equal(answer.scope, 'system/Observation.rs?category=http://terminology.hl7.org/CodeSystem/observation-category|vital-signs system/Patient.r');
    narrow.bearerToken = answer.access_token;
    await narrow.read({resourceType: 'Patient', id});
    await refused(() => narrow.search({resourceType: 'Patient', searchParams: {}}), 403, 'forbidden', kitError);
    await refused(() => narrow.search({resourceType: 'CarePlan', searchParams: {}}), 403, 'forbidden', kitError);
    const found = await narrow.search({resourceType: 'Observation', searchParams: {_count: 100}});
    assert.ok(found.entry.length > 0);
    for (const e of found.entry) assert.ok(e.resource.category.some(c => c.coding.some(k => k.code === 'vital-signs')));
    const other = (await c.search({resourceType: 'Observation', searchParams: {category: 'laboratory', _count: 1}})).entry[0].resource;
    await refused(() => narrow.read({resourceType: 'Observation', id: other.id}), 403, 'forbidden', kitError);
  });
  await step('a token that leaves out what is restricted', async () => {
    const label = 'http://terminology.hl7.org/CodeSystem/v3-Confidentiality|R';
    const usual = new KitClient({baseUrl: base});
    const answer = await authorise(dir, 'reader', ids.reader, String(auth.tokenUrl), `system/*.rs?_security:not=${label}`);
    usual.bearerToken = answer.access_token;
    const count = async (who, params) => (await who.search({resourceType: 'Observation', searchParams: {...params, _summary: 'count'}})).total;
    const all = await count(c, {}), restricted = await count(c, {_security: label});
    assert.ok(restricted > 0 && restricted < all);
    assert.equal(await count(usual, {}), all - restricted);
    const one = (await c.search({resourceType: 'Observation', searchParams: {_security: label, _count: 1}})).entry[0].resource;
    assert.ok(one.meta.security.some(s => s.code === 'R'));
    await refused(() => usual.read({resourceType: 'Observation', id: one.id}), 403, 'forbidden', kitError);
  });
  return {id, patients};
}

function kitError(err) {
  return {got: err.response?.status, outcome: err.response?.data};
}

// The SMART client of the standard's authors, in its adapter for Node.
async function smartClient(base, dir, ids, id) {
  client = 'fhirclient';
  const tokenURL = await step('discover', async () => {
    const known = await smartDiscovery.fetchWellKnownJson(base);
    assert.ok(known.capabilities.includes('client-confidential-asymmetric'));
    const uris = await smartDiscovery.getSecurityExtensions(base);
    assert.equal(uris.tokenUri, known.token_endpoint);
    return known.token_endpoint;
  });
  const c = await step('authorise with keys that are published', async () => {
    const scope = 'system/Patient.rs system/CarePlan.rs system/Observation.rs system/EpisodeOfCare.rs';
    const answer = await authorise(dir, 'published', ids.published, tokenURL, scope);
    const socket = new Socket();
    const request = new IncomingMessage(socket);
    const api = smart(request, new ServerResponse(request), {get: async () => undefined, set: async (_, v) => v, unset: async () => true});
    return api.client({serverUrl: base, tokenUri: tokenURL, clientId: ids.published, scope: answer.scope, tokenResponse: answer});
  });
  await step('know the release', async () => assert.equal(await c.getFhirRelease(), 4));
  await step('search and page to the end', async () => {
    const all = await c.request('Patient?_count=9', {pageLimit: 0, flat: true});
    assert.ok(all.length > 18 && unique(all.map(p => p.id)));
    let pages = 0;
    for await (const page of c.pages('Patient?_count=9')) {
      assert.equal(page.resourceType, 'Bundle');
      pages++;
    }
    assert.equal(pages, Math.ceil(all.length / 9));
  });
  await step('read and follow references', async () => {
    const plans = await c.request(`CarePlan?patient=${id}`, {resolveReferences: ['subject'], flat: true, pageLimit: 0});
    assert.equal(plans[0].subject.resourceType, 'Patient');
    assert.equal(plans[0].subject.id, id);
  });
  await step('include', async () => {
    const found = await c.request(`Patient?_id=${id}&_revinclude=CarePlan:patient`);
    assert.ok(found.entry.some(e => e.search.mode === 'include' && e.resource.resourceType === 'CarePlan'));
  });
  await step('what the scopes do not hold is refused', async () => {
    await refused(() => c.request('Procedure'), 403, 'forbidden', smartError);
    const found = await c.request(`Patient/${id}/$everything`);
    const types = new Set((found.entry ?? []).map(e => e.resource.resourceType));
    for (const typ of types) assert.ok(['Patient', 'CarePlan', 'Observation', 'EpisodeOfCare'].includes(typ), typ);
  });
}

// The SMART client puts the outcome into the text of its error.
function smartError(err) {
  return {got: err.status, outcome: JSON.parse(err.message.slice(err.message.indexOf('{')))};
}

// A client that authorises by itself.
async function medplum(base, dir, ids, id) {
  client = '@medplum/core';
  const root = base.replace(/fhir$/, ''), tokenUrl = `${root}auth/token`;
  const open = () => new MedplumClient({baseUrl: root, fhirUrlPath: 'fhir', tokenUrl, fetch, cacheTime: 0});
  const c = open();
  await step('authorise by its own means', async () => {
    await c.startJwtAssertionLogin(await assertion(dir, 'reader', ids.reader, tokenUrl));
    assert.ok(c.getAccessToken());
  });
  await step('an assertion is good once', async () => {
    const again = await assertion(dir, 'reader', ids.reader, tokenUrl);
    await open().startJwtAssertionLogin(again);
    await assert.rejects(open().startJwtAssertionLogin(again), err => /used before/.test(err.cause));
  });
  await step('read, search, page, history', async () => {
    const patient = await c.readResource('Patient', id);
    assert.equal(patient.id, id);
    const list = [];
    for await (const page of c.searchResourcePages('Patient', {_count: 8})) list.push(...page);
    assert.ok(list.length > 16 && unique(list.map(p => p.id)));
    const one = await c.searchOne('Patient', {_id: id});
    assert.equal(one.id, id);
    const history = await c.readHistory('Patient', id);
    assert.equal(history.entry[0].resource.id, id);
    const version = await c.readVersion('Patient', id, patient.meta.versionId);
    assert.deepEqual(version.identifier, patient.identifier);
  });
  await step('everything of a patient', async () => {
    const bundle = await c.readPatientEverything(id);
    assert.ok(bundle.entry.some(e => e.resource.resourceType === 'Patient' && e.resource.id === id));
  });
  await step('export all patients', async () => {
    const done = await c.bulkExport('Patient', 'Patient,Observation', undefined, {pollStatusOnAccepted: true, pollStatusPeriod: 300});
    assert.equal(done.requiresAccessToken, true);
    const counts = {};
    for (const file of done.output) {
      const text = await (await fetch(file.url, {headers: {Authorization: `Bearer ${c.getAccessToken()}`}})).text();
      const lines = text.trim().split('\n').map(JSON.parse);
      for (const r of lines) assert.equal(r.resourceType, file.type);
      assert.equal(lines.length, file.count);
      counts[file.type] = (counts[file.type] ?? 0) + lines.length;
      assert.equal((await fetch(file.url)).status, 401);
    }
    const total = (await c.search('Patient', {_summary: 'count'})).total;
    assert.equal(counts.Patient, total);
    assert.ok(counts.Observation > total);
  });
  const lab = open();
  await step('a laboratory authorises and writes a bundle', async () => {
    await lab.startJwtAssertionLogin(await assertion(dir, 'laboratory', ids.laboratory, tokenUrl));
    const episode = await c.searchOne('EpisodeOfCare', {status: 'active'});
    const subject = {reference: episode.patient.reference};
    const value = `NPM-${randomUUID()}`;
    const system = 'https://laboratory.example/result';
    const observation = {
      resourceType: 'Observation', status: 'final', identifier: [{system, value}], subject,
      category: [{coding: [{system: 'http://terminology.hl7.org/CodeSystem/observation-category', code: 'laboratory'}]}],
      code: {coding: [{system: 'http://loinc.org', code: '2160-0', display: 'Creatinine'}]},
      effectiveDateTime: new Date(Date.now() - 3600e3).toISOString(), issued: new Date(Date.now() - 1800e3).toISOString(),
      valueQuantity: {value: 0.9, unit: 'mg/dL', system: 'http://unitsofmeasure.org', code: 'mg/dL'},
    };
    const bundle = {resourceType: 'Bundle', type: 'transaction', entry: [{resource: observation, request: {method: 'PUT', url: `Observation?identifier=${system}|${value}`}}]};
    const answer = await lab.executeBatch(bundle);
    assert.equal(answer.type, 'transaction-response');
    assert.match(answer.entry[0].response.status, /^201/);
    const again = await lab.executeBatch(bundle);
    assert.match(again.entry[0].response.status, /^200/);
    const found = await c.searchResources('Observation', {identifier: `${system}|${value}`});
    assert.equal(found.length, 1);
    assert.equal(found[0].valueQuantity.value, 0.9);
    assert.equal(found[0].subject.reference, subject.reference);
  });
  await step('a laboratory does not read what it may not', async () => {
    await assert.rejects(lab.searchResources('Patient', {}), /scope/);
  });
}

// Who looked: an auditor reads what the others left.
async function auditor(base, dir, ids, id) {
  client = 'auditor';
  const c = new KitClient({baseUrl: base});
  await step('authorise for the audit trail by name', async () => {
    const answer = await authorise(dir, 'auditor', ids.auditor, base.replace(/fhir$/, 'auth/token'), 'system/AuditEvent.rs system/*.rs');
    assert.equal(answer.scope, 'system/AuditEvent.rs');
    c.bearerToken = answer.access_token;
  });
  await step('read who looked at a patient, page by page', async () => {
    let page = await c.search({resourceType: 'AuditEvent', searchParams: {patient: `Patient/${id}`, _count: 10}});
    const list = [];
    for (; page; page = await c.nextPage({bundle: page})) list.push(...(page.entry ?? []).map(e => e.resource));
    assert.ok(list.length > 10 && unique(list.map(e => e.id)));
    const who = new Set(list.map(e => e.agent[0].who.identifier.value));
    assert.ok(who.has(ids.reader) && who.has(ids.published) && who.has(ids.narrow), [...who].join());
    for (const e of list) assert.ok(e.entity.some(x => x.what?.reference === `Patient/${id}`));
    const one = await c.read({resourceType: 'AuditEvent', id: list[0].id});
    assert.deepEqual(one, list[0]);
  });
  await step('find what was refused', async () => {
    const found = await c.search({resourceType: 'AuditEvent', searchParams: {outcome: 4, 'agent:identifier': ids.narrow}});
    assert.ok(found.entry.length >= 2);
    for (const e of found.entry) assert.equal(e.resource.outcome, '4');
  });
  await step('see nothing else', () => refused(() => c.read({resourceType: 'Patient', id}), 403, 'forbidden', kitError));
}

const [mode, ...args] = process.argv.slice(2);
if (mode === 'keys') {
  await makeKeys(args[0]);
} else {
  const [base, dir] = args, ids = JSON.parse(readFileSync(join(dir, 'clients.json')));
  const {id} = await kit(base, dir, ids);
  await smartClient(base, dir, ids, id);
  await medplum(base, dir, ids, id);
  await auditor(base, dir, ids, id);
  process.exit(0);
}
