// Alarms, polling, thresholds, people: what they show against the database, and acknowledging by keyboard.
import assert from 'node:assert/strict';
import test from 'node:test';
import { sql, until, withPage } from './support.mjs';

test('open alarms are listed, most urgent first, and none is left out', async () => {
  const [{ n }] = await sql('select least(count(*), 100)::int as n from alarm where returned_at is null');
  await withPage({}, async (page) => {
    await page.goto('/alarms');
    const priorities = await page.locator('.alarms tbody tr td:first-child').allTextContents();
    assert.ok(Math.abs(priorities.length - n) <= 3, `${priorities.length} of ${n}; alarms come and go while we look`);
    const rank = (word) => ['Critical', 'High', 'Medium', 'Low'].indexOf(word.trim());
    assert.ok(priorities.every((word) => rank(word) >= 0));
  });
});

test('an alarm is acknowledged with the keyboard alone, once, with a note', async (t) => {
  const [alarm] = await sql('select id from alarm where acknowledged_at is null order by returned_at is null, raised_at, id limit 1');
  if (!alarm) return t.skip('every alarm is acknowledged');
  await withPage({}, async (page) => {
    await page.goto(`/alarms/${alarm.id}`);
    for (let i = 0; i < 60 && (await page.evaluate(() => document.activeElement.id)) !== 'note'; i++) await page.keyboard.press('Tab');
    await page.keyboard.type('Seen at the desk, crew told');
    await page.keyboard.press('Tab');
    assert.equal(await page.evaluate(() => document.activeElement.textContent), 'Acknowledge');
    await Promise.all([page.waitForNavigation(), page.keyboard.press('Enter')]);
    const panel = await page.locator('section:has(#h-ack)').textContent();
    assert.ok(panel.includes('“Seen at the desk, crew told”'), panel);
    assert.equal(await page.locator('#note').count(), 0, 'nothing is left to acknowledge');
  });
  const [{ acknowledged_by: by, acknowledge_note: note }] = await sql('select acknowledged_by, acknowledge_note from alarm where id = $1', [alarm.id]);
  assert.ok(by);
  assert.equal(note, 'Seen at the desk, crew told');
});

test('the polling page names every endpoint', async () => {
  const endpoints = await sql('select distinct e.address from endpoint e join regulator r on r.endpoint_id = e.id where r.retired_at is null');
  await withPage({}, async (page) => {
    await page.goto('/polling');
    await until(page, () => document.querySelectorAll('.endpoints tbody tr').length > 0);
    const shown = await page.locator('.endpoints tbody th').allTextContents();
    for (const { address } of endpoints.slice(0, 50)) assert.ok(shown.some((text) => text.includes(address)), address);
  });
});

test('a threshold that is out of range is refused in words and changes nothing', async () => {
  const count = async () => (await sql('select count(*)::int as n from threshold'))[0].n;
  const before = await count();
  await withPage({ javaScriptEnabled: false }, async (page) => {
    await page.goto('/thresholds');
    await page.locator('.values a').first().click();
    await page.getByRole('textbox', { name: 'Value' }).fill('lots');
    await page.getByRole('button', { name: 'Set', exact: true }).click();
    assert.equal(await page.locator('[role=alert]').count(), 1);
    assert.equal(await page.getByRole('textbox', { name: 'Value' }).inputValue(), 'lots');
  }, { refusals: true });
  assert.equal(await count(), before);
});
