BEGIN TRANSACTION;
CREATE TABLE alembic_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "alembic_version" VALUES('0001');
CREATE TABLE bench_terms (
	id INTEGER NOT NULL, 
	valid_from DATE NOT NULL, 
	terms JSON NOT NULL, 
	CONSTRAINT pk_bench_terms PRIMARY KEY (id), 
	CONSTRAINT uq_bench_terms_valid_from UNIQUE (valid_from)
);
INSERT INTO "bench_terms" VALUES(1,'2026-01-01','{}');
CREATE TABLE bitting_specs (
	id INTEGER NOT NULL, 
	name VARCHAR(80) NOT NULL, 
	spec JSON NOT NULL, 
	version INTEGER NOT NULL, 
	CONSTRAINT pk_bitting_specs PRIMARY KEY (id), 
	CONSTRAINT uq_bitting_specs_name UNIQUE (name)
);
INSERT INTO "bitting_specs" VALUES(1,'Spec 0','{"chambers": 6, "depths": 10, "first_depth": 0, "macs": 7, "step": 2}',1);
INSERT INTO "bitting_specs" VALUES(2,'Spec 1','{"chambers": 6, "depths": 10, "first_depth": 0, "macs": 7, "step": 2}',1);
INSERT INTO "bitting_specs" VALUES(3,'Spec 2','{"chambers": 6, "depths": 10, "first_depth": 0, "macs": 7, "step": 2}',1);
INSERT INTO "bitting_specs" VALUES(4,'Spec 3','{"chambers": 6, "depths": 10, "first_depth": 0, "macs": 7, "step": 2}',1);
INSERT INTO "bitting_specs" VALUES(5,'Spec 4','{"chambers": 6, "depths": 10, "first_depth": 0, "macs": 7, "step": 2}',1);
INSERT INTO "bitting_specs" VALUES(6,'Spec 5','{"chambers": 6, "depths": 10, "first_depth": 0, "macs": 7, "step": 2}',1);
INSERT INTO "bitting_specs" VALUES(7,'Spec 6','{"chambers": 6, "depths": 10, "first_depth": 0, "macs": 7, "step": 2}',1);
INSERT INTO "bitting_specs" VALUES(8,'Spec 7','{"chambers": 6, "depths": 10, "first_depth": 0, "macs": 7, "step": 2}',1);
CREATE TABLE bittings (
	id INTEGER NOT NULL, 
	system_id INTEGER NOT NULL, 
	keyset_id INTEGER NOT NULL, 
	sealed BLOB NOT NULL, 
	fingerprint BLOB NOT NULL, 
	CONSTRAINT pk_bittings PRIMARY KEY (id), 
	CONSTRAINT fk_bittings_keyset_id_keysets FOREIGN KEY(keyset_id) REFERENCES keysets (id), 
	CONSTRAINT fk_bittings_system_id_key_systems FOREIGN KEY(system_id) REFERENCES key_systems (id), 
	CONSTRAINT uq_bittings_keyset_id UNIQUE (keyset_id), 
	CONSTRAINT uq_bittings_system_id_fingerprint UNIQUE (system_id, fingerprint)
);
INSERT INTO "bittings" VALUES(1,1,1,X'01DF092E4CA51CD84725D82BC2DEB7D92C2E62706C44E797D28AC065B7FA6D06CA3638',X'43F72A77FF68DC644B2E670DC3CA801CF67D8AD4FD2E9435CD03EDE97D253294');
INSERT INTO "bittings" VALUES(2,1,2,X'016F60E52E71790A6B21BEEEC324A830373D3FB97133BE403F76173447479DEFBBEECA',X'1E81D92F7C20DE3A1E51DF306906970F11BDB4CB3BD619923294BBF999933C6C');
INSERT INTO "bittings" VALUES(3,1,3,X'0165BFF0A4DA79AAE16C78D7DB9C63B8E84DA34C7E0A0F1114E40F275AA9ECE25CD74C',X'8F2BFD1D833025621DFCE5206D01F2AD8EF987353A9B39FB8E3E30E31C3D8272');
CREATE TABLE catalogue_items (
	id INTEGER NOT NULL, 
	maker_id INTEGER NOT NULL, 
	part_number VARCHAR(80) NOT NULL, 
	category VARCHAR(40) NOT NULL, 
	description VARCHAR(300) NOT NULL, 
	attributes JSON NOT NULL, 
	cost_cents INTEGER NOT NULL, 
	list_cents INTEGER NOT NULL, 
	is_stocked BOOLEAN NOT NULL, 
	version INTEGER NOT NULL, 
	CONSTRAINT pk_catalogue_items PRIMARY KEY (id), 
	CONSTRAINT fk_catalogue_items_maker_id_makers FOREIGN KEY(maker_id) REFERENCES makers (id), 
	CONSTRAINT uq_catalogue_items_maker_id_part_number UNIQUE (maker_id, part_number)
);
INSERT INTO "catalogue_items" VALUES(1,1,'AB-1000','cylinder','mortise cylinder 1-1/8, AQ1, 626','{}',2150,5200,0,1);
CREATE TABLE contacts (
	id INTEGER NOT NULL, 
	customer_id INTEGER NOT NULL, 
	name VARCHAR(120) NOT NULL, 
	duty VARCHAR(120) NOT NULL, 
	phone VARCHAR(40) NOT NULL, 
	phone_digits VARCHAR(40) NOT NULL, 
	email VARCHAR(200) NOT NULL, 
	CONSTRAINT pk_contacts PRIMARY KEY (id), 
	CONSTRAINT fk_contacts_customer_id_customers FOREIGN KEY(customer_id) REFERENCES customers (id)
);
INSERT INTO "contacts" VALUES(1,2,'Contact 0','','','','');
CREATE TABLE counters (
	name VARCHAR(40) NOT NULL, 
	value INTEGER NOT NULL, 
	CONSTRAINT pk_counters PRIMARY KEY (name)
);
INSERT INTO "counters" VALUES('event chain',3);
CREATE TABLE customers (
	id INTEGER NOT NULL, 
	name VARCHAR(120) NOT NULL, 
	phone VARCHAR(40) NOT NULL, 
	phone_digits VARCHAR(40) NOT NULL, 
	email VARCHAR(200) NOT NULL, 
	address TEXT NOT NULL, 
	tier VARCHAR(40) NOT NULL, 
	tax_place VARCHAR(80) NOT NULL, 
	exempt_certificate VARCHAR(80) NOT NULL, 
	exempt_until DATE, 
	notes TEXT NOT NULL, 
	created_at DATETIME NOT NULL, 
	version INTEGER NOT NULL, 
	CONSTRAINT pk_customers PRIMARY KEY (id)
);
INSERT INTO "customers" VALUES(1,'Harbourmaster''s Flats','555-0147','5550147','','','','','',NULL,'','2026-11-02 09:00:00.000000',1);
INSERT INTO "customers" VALUES(2,'Customer 1','','','','','','','',NULL,'','2026-11-02 09:00:00.000000',1);
INSERT INTO "customers" VALUES(3,'Customer 2','','','','','','','',NULL,'','2026-11-02 09:00:00.000000',1);
INSERT INTO "customers" VALUES(4,'Customer 3','','','','','','','',NULL,'','2026-11-02 09:00:00.000000',1);
INSERT INTO "customers" VALUES(5,'Customer 4','','','','','','','',NULL,'','2026-11-02 09:00:00.000000',1);
INSERT INTO "customers" VALUES(6,'Customer 5','','','','','','','',NULL,'','2026-11-02 09:00:00.000000',1);
INSERT INTO "customers" VALUES(7,'Customer 6','','','','','','','',NULL,'','2026-11-02 09:00:00.000000',1);
INSERT INTO "customers" VALUES(8,'Customer 7','','','','','','','',NULL,'','2026-11-02 09:00:00.000000',1);
INSERT INTO "customers" VALUES(9,'Customer 8','','','','','','','',NULL,'','2026-11-02 09:00:00.000000',1);
INSERT INTO "customers" VALUES(10,'Customer 9','','','','','','','',NULL,'','2026-11-02 09:00:00.000000',1);
INSERT INTO "customers" VALUES(11,'Customer 10','','','','','','','',NULL,'','2026-11-02 09:00:00.000000',1);
INSERT INTO "customers" VALUES(12,'Customer 11','','','','','','','',NULL,'','2026-11-02 09:00:00.000000',1);
INSERT INTO "customers" VALUES(13,'Customer 12','','','','','','','',NULL,'','2026-11-02 09:00:00.000000',1);
INSERT INTO "customers" VALUES(14,'Customer 13','','','','','','','',NULL,'','2026-11-02 09:00:00.000000',1);
INSERT INTO "customers" VALUES(15,'Customer 14','','','','','','','',NULL,'','2026-11-02 09:00:00.000000',1);
INSERT INTO "customers" VALUES(16,'Customer 15','','','','','','','',NULL,'','2026-11-02 09:00:00.000000',1);
CREATE TABLE cylinder_operators (
	id INTEGER NOT NULL, 
	cylinder_id INTEGER NOT NULL, 
	keyset_id INTEGER NOT NULL, 
	CONSTRAINT pk_cylinder_operators PRIMARY KEY (id), 
	CONSTRAINT fk_cylinder_operators_cylinder_id_cylinders FOREIGN KEY(cylinder_id) REFERENCES cylinders (id), 
	CONSTRAINT fk_cylinder_operators_keyset_id_keysets FOREIGN KEY(keyset_id) REFERENCES keysets (id), 
	CONSTRAINT uq_cylinder_operators_cylinder_id_keyset_id UNIQUE (cylinder_id, keyset_id)
);
INSERT INTO "cylinder_operators" VALUES(1,4,4);
CREATE TABLE cylinders (
	id INTEGER NOT NULL, 
	job_id INTEGER, 
	line_number INTEGER, 
	door_id INTEGER, 
	position VARCHAR(40) NOT NULL, 
	maker_id INTEGER, 
	part_number VARCHAR(80) NOT NULL, 
	words VARCHAR(300) NOT NULL, 
	type VARCHAR(24) NOT NULL, 
	length VARCHAR(24), 
	chambers INTEGER, 
	drilled INTEGER, 
	keyway VARCHAR(24) NOT NULL, 
	cam VARCHAR(40) NOT NULL, 
	tailpiece VARCHAR(40) NOT NULL, 
	finish VARCHAR(24) NOT NULL, 
	keyset_id INTEGER, 
	is_nmk BOOLEAN NOT NULL, 
	state VARCHAR(24) NOT NULL, 
	remarks TEXT NOT NULL, 
	version INTEGER NOT NULL, 
	CONSTRAINT pk_cylinders PRIMARY KEY (id), 
	CONSTRAINT fk_cylinders_door_id_doors FOREIGN KEY(door_id) REFERENCES doors (id), 
	CONSTRAINT fk_cylinders_job_id_jobs FOREIGN KEY(job_id) REFERENCES jobs (id), 
	CONSTRAINT fk_cylinders_keyset_id_keysets FOREIGN KEY(keyset_id) REFERENCES keysets (id), 
	CONSTRAINT fk_cylinders_maker_id_makers FOREIGN KEY(maker_id) REFERENCES makers (id), 
	CONSTRAINT ck_cylinders_cylinderstate CHECK (state IN ('ordered', 'pinned', 'checked', 'fitted', 'removed'))
);
INSERT INTO "cylinders" VALUES(1,1,NULL,1,'outside',NULL,'AD-Q1-66','mortise cylinder 1-1/8, AQ1, 626','mortise',NULL,NULL,NULL,'','','','',2,0,'ordered','',1);
INSERT INTO "cylinders" VALUES(2,1,NULL,2,'outside',NULL,'AD-Q1-66','mortise cylinder 1-1/8, AQ1, 626','mortise',NULL,NULL,NULL,'','','','',3,0,'ordered','',1);
INSERT INTO "cylinders" VALUES(3,NULL,NULL,3,'outside',NULL,'','mortise cylinder 1-1/8, AQ1, 626','mortise',NULL,NULL,NULL,'','','','',NULL,0,'ordered','',1);
INSERT INTO "cylinders" VALUES(4,NULL,NULL,4,'outside',NULL,'','mortise cylinder 1-1/8, AQ1, 626','mortise',NULL,NULL,NULL,'','','','',NULL,0,'ordered','',1);
CREATE TABLE doors (
	id INTEGER NOT NULL, 
	site_id INTEGER NOT NULL, 
	opening_number VARCHAR(40) NOT NULL, 
	location VARCHAR(200) NOT NULL, 
	hand VARCHAR(8) NOT NULL, 
	thickness VARCHAR(24), 
	stile VARCHAR(24), 
	is_egress BOOLEAN NOT NULL, 
	is_fire_rated BOOLEAN NOT NULL, 
	remarks TEXT NOT NULL, 
	version INTEGER NOT NULL, 
	CONSTRAINT pk_doors PRIMARY KEY (id), 
	CONSTRAINT fk_doors_site_id_sites FOREIGN KEY(site_id) REFERENCES sites (id), 
	CONSTRAINT uq_doors_site_id_opening_number UNIQUE (site_id, opening_number)
);
INSERT INTO "doors" VALUES(1,1,'F1','Flat 1','RH',NULL,NULL,1,0,'',1);
INSERT INTO "doors" VALUES(2,1,'F2','Flat 2','RH',NULL,NULL,0,1,'',1);
INSERT INTO "doors" VALUES(3,2,'102','','',NULL,NULL,0,0,'',1);
INSERT INTO "doors" VALUES(4,3,'103','','',NULL,NULL,0,0,'',1);
INSERT INTO "doors" VALUES(5,4,'104','','',NULL,NULL,0,0,'',1);
INSERT INTO "doors" VALUES(6,5,'105','','',NULL,NULL,0,0,'',1);
CREATE TABLE drafts (
	token VARCHAR(64) NOT NULL, 
	user_id INTEGER NOT NULL, 
	job_id INTEGER, 
	typed JSON NOT NULL, 
	saved_at DATETIME NOT NULL, 
	version INTEGER NOT NULL, 
	CONSTRAINT pk_drafts PRIMARY KEY (token), 
	CONSTRAINT fk_drafts_job_id_jobs FOREIGN KEY(job_id) REFERENCES jobs (id), 
	CONSTRAINT fk_drafts_user_id_users FOREIGN KEY(user_id) REFERENCES users (id)
);
INSERT INTO "drafts" VALUES('draft-0',3,NULL,'{}','2026-11-02 09:00:00.000000',1);
CREATE TABLE events (
	id INTEGER NOT NULL, 
	at DATETIME NOT NULL, 
	actor_id INTEGER, 
	actor_name VARCHAR(80) NOT NULL, 
	kind VARCHAR(60) NOT NULL, 
	subject VARCHAR(60) NOT NULL, 
	job_id INTEGER, 
	summary TEXT NOT NULL, 
	detail JSON NOT NULL, 
	previous_hash BLOB NOT NULL, 
	hash BLOB NOT NULL, 
	CONSTRAINT pk_events PRIMARY KEY (id), 
	CONSTRAINT fk_events_actor_id_users FOREIGN KEY(actor_id) REFERENCES users (id), 
	CONSTRAINT fk_events_job_id_jobs FOREIGN KEY(job_id) REFERENCES jobs (id), 
	CONSTRAINT uq_events_hash UNIQUE (hash)
);
INSERT INTO "events" VALUES(1,'2026-11-25 15:30:00.000000',1,'Wren Fenwick','job changed','job 1001',1,'step 0 of the old release','{"note": 0}',X'',X'3A65F5014B6836436B820F6924C2E19692D9CB5ACE74819B0370F5D1B06841D1');
INSERT INTO "events" VALUES(2,'2026-11-25 15:30:00.000000',1,'Wren Fenwick','job changed','job 1001',1,'step 1 of the old release','{"note": 1}',X'3A65F5014B6836436B820F6924C2E19692D9CB5ACE74819B0370F5D1B06841D1',X'2F4ACD960109744BFA9F4884B307F4B60EDA0C057A8A40D924FB368F979814F3');
INSERT INTO "events" VALUES(3,'2026-11-25 15:30:00.000000',1,'Wren Fenwick','job changed','job 1001',1,'step 2 of the old release','{"note": 2}',X'2F4ACD960109744BFA9F4884B307F4B60EDA0C057A8A40D924FB368F979814F3',X'2EDB18E1B53AB9E536DE112B114A19DDEBAF50A392ED4142AEF139BDB416000F');
CREATE TABLE factory_terms (
	id INTEGER NOT NULL, 
	maker_id INTEGER NOT NULL, 
	valid_from DATE NOT NULL, 
	terms JSON NOT NULL, 
	CONSTRAINT pk_factory_terms PRIMARY KEY (id), 
	CONSTRAINT fk_factory_terms_maker_id_makers FOREIGN KEY(maker_id) REFERENCES makers (id), 
	CONSTRAINT uq_factory_terms_maker_id_valid_from UNIQUE (maker_id, valid_from)
);
INSERT INTO "factory_terms" VALUES(1,2,'2026-01-01','{}');
CREATE TABLE "house" (
	id INTEGER NOT NULL, 
	name VARCHAR(120) NOT NULL, 
	address TEXT NOT NULL, 
	phone VARCHAR(40) NOT NULL, 
	email VARCHAR(200) NOT NULL, 
	tax_place VARCHAR(80) NOT NULL, 
	paper VARCHAR(8) NOT NULL, 
	quote_days INTEGER NOT NULL, 
	exclusions TEXT NOT NULL, 
	terms TEXT NOT NULL, 
	version INTEGER NOT NULL, 
	CONSTRAINT pk_house PRIMARY KEY (id)
);
INSERT INTO "house" VALUES(1,'Fenwick Quay Builders'' Hardware','1 Fenwick Quay
Saltmarsh','(555) 010-0100','','Saltmarsh','Letter',30,'','',1);
CREATE TABLE job_lines (
	id INTEGER NOT NULL, 
	job_id INTEGER NOT NULL, 
	number INTEGER NOT NULL, 
	kind VARCHAR(24) NOT NULL, 
	description TEXT NOT NULL, 
	part_number VARCHAR(80) NOT NULL, 
	quantity INTEGER NOT NULL, 
	unit_cents INTEGER NOT NULL, 
	ask JSON NOT NULL, 
	CONSTRAINT pk_job_lines PRIMARY KEY (id), 
	CONSTRAINT fk_job_lines_job_id_jobs FOREIGN KEY(job_id) REFERENCES jobs (id), 
	CONSTRAINT uq_job_lines_job_id_number UNIQUE (job_id, number)
);
INSERT INTO "job_lines" VALUES(1,3,1,'hardware','Cylinder ring 1/8','',1,350,'{}');
CREATE TABLE jobs (
	id INTEGER NOT NULL, 
	number INTEGER NOT NULL, 
	customer_id INTEGER NOT NULL, 
	site_id INTEGER, 
	title VARCHAR(200) NOT NULL, 
	stage VARCHAR(24) NOT NULL, 
	asked_on DATE NOT NULL, 
	need_by DATE, 
	promised_on DATE, 
	keyed_at VARCHAR(12) NOT NULL, 
	value_cents INTEGER NOT NULL, 
	cost_cents INTEGER NOT NULL, 
	bench_minutes INTEGER NOT NULL, 
	opened_by_id INTEGER NOT NULL, 
	accepted_by VARCHAR(120) NOT NULL, 
	accepted_on DATE, 
	po_number VARCHAR(60) NOT NULL, 
	reason TEXT NOT NULL, 
	version INTEGER NOT NULL, 
	CONSTRAINT pk_jobs PRIMARY KEY (id), 
	CONSTRAINT fk_jobs_customer_id_customers FOREIGN KEY(customer_id) REFERENCES customers (id), 
	CONSTRAINT fk_jobs_opened_by_id_users FOREIGN KEY(opened_by_id) REFERENCES users (id), 
	CONSTRAINT fk_jobs_site_id_sites FOREIGN KEY(site_id) REFERENCES sites (id), 
	CONSTRAINT uq_jobs_number UNIQUE (number), 
	CONSTRAINT ck_jobs_stage CHECK (stage IN ('asked', 'quoted', 'approved', 'parts on order', 'on the bench', 'checked', 'ready', 'handed over', 'closed', 'lost', 'cancelled'))
);
INSERT INTO "jobs" VALUES(1,1001,1,1,'Two flats under one master','on the bench','2026-11-02',NULL,'2026-11-30','shop',20000,15000,45,2,'P. Harbour',NULL,'','',1);
INSERT INTO "jobs" VALUES(2,1002,8,NULL,'Two cylinders, keyed alike','asked','2026-11-02',NULL,NULL,'',0,0,0,4,'',NULL,'','',1);
INSERT INTO "jobs" VALUES(3,1003,9,NULL,'Two cylinders, keyed alike','asked','2026-11-02',NULL,NULL,'',0,0,0,5,'',NULL,'','',1);
INSERT INTO "jobs" VALUES(4,1004,14,NULL,'Two cylinders, keyed alike','asked','2026-11-02',NULL,NULL,'',0,0,0,6,'',NULL,'','',1);
INSERT INTO "jobs" VALUES(5,1005,15,NULL,'Two cylinders, keyed alike','asked','2026-11-02',NULL,NULL,'',0,0,0,8,'',NULL,'','',1);
CREATE TABLE key_systems (
	id INTEGER NOT NULL, 
	customer_id INTEGER NOT NULL, 
	site_id INTEGER, 
	name VARCHAR(120) NOT NULL, 
	levels INTEGER NOT NULL, 
	keyway VARCHAR(24) NOT NULL, 
	chambers INTEGER NOT NULL, 
	spec_id INTEGER NOT NULL, 
	records VARCHAR(24) NOT NULL, 
	owner_of_record VARCHAR(200) NOT NULL, 
	authority_note TEXT NOT NULL, 
	sealed_plan BLOB, 
	capacity INTEGER, 
	created_at DATETIME NOT NULL, 
	version INTEGER NOT NULL, 
	CONSTRAINT pk_key_systems PRIMARY KEY (id), 
	CONSTRAINT fk_key_systems_customer_id_customers FOREIGN KEY(customer_id) REFERENCES customers (id), 
	CONSTRAINT fk_key_systems_site_id_sites FOREIGN KEY(site_id) REFERENCES sites (id), 
	CONSTRAINT fk_key_systems_spec_id_bitting_specs FOREIGN KEY(spec_id) REFERENCES bitting_specs (id), 
	CONSTRAINT uq_key_systems_customer_id_name UNIQUE (customer_id, name), 
	CONSTRAINT ck_key_systems_recordsholder CHECK (records IN ('shop', 'factory', 'nobody'))
);
INSERT INTO "key_systems" VALUES(1,1,1,'The Flats',2,'AQ1',6,1,'shop','','',X'01260979A4E23965D50C3D39A9ACFB3FB438B48F0EA888E2098CBC5C3CDA937CA5383FCF2E2B066AB89B007F71C47C6492654056204E8B15FC3A5B8C3057828124',100,'2026-11-02 09:00:00.000000',2);
INSERT INTO "key_systems" VALUES(2,6,NULL,'System 1',2,'AQ1',6,2,'shop','','',NULL,NULL,'2026-11-02 09:00:00.000000',1);
INSERT INTO "key_systems" VALUES(3,10,NULL,'System 2',2,'AQ1',6,3,'shop','','',NULL,NULL,'2026-11-02 09:00:00.000000',1);
INSERT INTO "key_systems" VALUES(4,11,NULL,'System 3',2,'AQ1',6,4,'shop','','',NULL,NULL,'2026-11-02 09:00:00.000000',1);
INSERT INTO "key_systems" VALUES(5,12,NULL,'System 4',2,'AQ1',6,5,'shop','','',NULL,NULL,'2026-11-02 09:00:00.000000',1);
CREATE TABLE keys (
	id INTEGER NOT NULL, 
	keyset_id INTEGER NOT NULL, 
	job_id INTEGER, 
	copy_number INTEGER NOT NULL, 
	state VARCHAR(24) NOT NULL, 
	holder VARCHAR(120) NOT NULL, 
	due_back DATE, 
	changed_at DATETIME NOT NULL, 
	version INTEGER NOT NULL, 
	CONSTRAINT pk_keys PRIMARY KEY (id), 
	CONSTRAINT fk_keys_job_id_jobs FOREIGN KEY(job_id) REFERENCES jobs (id), 
	CONSTRAINT fk_keys_keyset_id_keysets FOREIGN KEY(keyset_id) REFERENCES keysets (id), 
	CONSTRAINT uq_keys_keyset_id_copy_number UNIQUE (keyset_id, copy_number), 
	CONSTRAINT ck_keys_keystate CHECK (state IN ('ordered', 'cut', 'out', 'returned', 'lost', 'retired'))
);
INSERT INTO "keys" VALUES(1,1,1,1,'ordered','',NULL,'2026-11-02 09:00:00.000000',1);
INSERT INTO "keys" VALUES(2,2,1,1,'ordered','',NULL,'2026-11-02 09:00:00.000000',1);
INSERT INTO "keys" VALUES(3,3,1,1,'ordered','',NULL,'2026-11-02 09:00:00.000000',1);
INSERT INTO "keys" VALUES(4,5,NULL,4,'ordered','',NULL,'2026-11-02 09:00:00.000000',1);
CREATE TABLE keysets (
	id INTEGER NOT NULL, 
	system_id INTEGER NOT NULL, 
	symbol VARCHAR(24) NOT NULL, 
	level VARCHAR(24) NOT NULL, 
	parent_id INTEGER, 
	purpose VARCHAR(200) NOT NULL, 
	keys_ordered INTEGER NOT NULL, 
	version INTEGER NOT NULL, 
	CONSTRAINT pk_keysets PRIMARY KEY (id), 
	CONSTRAINT fk_keysets_parent_id_keysets FOREIGN KEY(parent_id) REFERENCES keysets (id), 
	CONSTRAINT fk_keysets_system_id_key_systems FOREIGN KEY(system_id) REFERENCES key_systems (id), 
	CONSTRAINT uq_keysets_system_id_symbol UNIQUE (system_id, symbol), 
	CONSTRAINT ck_keysets_level CHECK (level IN ('great grand master', 'grand master', 'master', 'change', 'single keyed', 'control'))
);
INSERT INTO "keysets" VALUES(1,1,'AA','master',NULL,'',0,1);
INSERT INTO "keysets" VALUES(2,1,'1AA','change',1,'',0,1);
INSERT INTO "keysets" VALUES(3,1,'2AA','change',1,'',0,1);
INSERT INTO "keysets" VALUES(4,2,'4AA','change',NULL,'',0,1);
INSERT INTO "keysets" VALUES(5,3,'5AA','change',NULL,'',0,1);
INSERT INTO "keysets" VALUES(6,5,'6AA','change',NULL,'',0,1);
CREATE TABLE keyways (
	id INTEGER NOT NULL, 
	maker_id INTEGER NOT NULL, 
	code VARCHAR(24) NOT NULL, 
	spec_id INTEGER NOT NULL, 
	is_restricted BOOLEAN NOT NULL, 
	CONSTRAINT pk_keyways PRIMARY KEY (id), 
	CONSTRAINT fk_keyways_maker_id_makers FOREIGN KEY(maker_id) REFERENCES makers (id), 
	CONSTRAINT fk_keyways_spec_id_bitting_specs FOREIGN KEY(spec_id) REFERENCES bitting_specs (id), 
	CONSTRAINT uq_keyways_maker_id_code UNIQUE (maker_id, code)
);
INSERT INTO "keyways" VALUES(1,3,'AQ0',6,0);
CREATE TABLE locks (
	id INTEGER NOT NULL, 
	door_id INTEGER NOT NULL, 
	description VARCHAR(200) NOT NULL, 
	function VARCHAR(120) NOT NULL, 
	version INTEGER NOT NULL, 
	CONSTRAINT pk_locks PRIMARY KEY (id), 
	CONSTRAINT fk_locks_door_id_doors FOREIGN KEY(door_id) REFERENCES doors (id), 
	CONSTRAINT uq_locks_door_id UNIQUE (door_id)
);
INSERT INTO "locks" VALUES(1,1,'mortise lock, office function','',1);
INSERT INTO "locks" VALUES(2,2,'mortise lock, office function','',1);
INSERT INTO "locks" VALUES(3,6,'mortise lock, office function','',1);
CREATE TABLE login_attempts (
	id INTEGER NOT NULL, 
	name_key VARCHAR(80) NOT NULL, 
	address VARCHAR(64) NOT NULL, 
	at DATETIME NOT NULL, 
	succeeded BOOLEAN NOT NULL, 
	CONSTRAINT pk_login_attempts PRIMARY KEY (id)
);
INSERT INTO "login_attempts" VALUES(1,'owner','127.0.0.1','2026-11-02 09:00:00.000000',0);
CREATE TABLE makers (
	id INTEGER NOT NULL, 
	code VARCHAR(24) NOT NULL, 
	name VARCHAR(120) NOT NULL, 
	tables JSON NOT NULL, 
	version INTEGER NOT NULL, 
	CONSTRAINT pk_makers PRIMARY KEY (id), 
	CONSTRAINT uq_makers_code UNIQUE (code), 
	CONSTRAINT uq_makers_name UNIQUE (name)
);
INSERT INTO "makers" VALUES(1,'M0','Maker 0','{}',1);
INSERT INTO "makers" VALUES(2,'M1','Maker 1','{}',1);
INSERT INTO "makers" VALUES(3,'M2','Maker 2','{}',1);
INSERT INTO "makers" VALUES(4,'M3','Maker 3','{}',1);
CREATE TABLE payments (
	id INTEGER NOT NULL, 
	job_id INTEGER NOT NULL, 
	received_on DATE NOT NULL, 
	cents INTEGER NOT NULL, 
	means VARCHAR(40) NOT NULL, 
	note VARCHAR(200) NOT NULL, 
	taken_by_id INTEGER NOT NULL, 
	CONSTRAINT pk_payments PRIMARY KEY (id), 
	CONSTRAINT fk_payments_job_id_jobs FOREIGN KEY(job_id) REFERENCES jobs (id), 
	CONSTRAINT fk_payments_taken_by_id_users FOREIGN KEY(taken_by_id) REFERENCES users (id)
);
INSERT INTO "payments" VALUES(1,4,'2026-11-03',5000,'cash','',7);
CREATE TABLE price_rows (
	id INTEGER NOT NULL, 
	code VARCHAR(80) NOT NULL, 
	description VARCHAR(300) NOT NULL, 
	category VARCHAR(40) NOT NULL, 
	kind VARCHAR(12) NOT NULL, 
	unit_cents INTEGER NOT NULL, 
	cost_cents INTEGER NOT NULL, 
	tier VARCHAR(40) NOT NULL, 
	quantity_from INTEGER NOT NULL, 
	valid_from DATE NOT NULL, 
	valid_until DATE, 
	CONSTRAINT pk_price_rows PRIMARY KEY (id), 
	CONSTRAINT uq_price_rows_code_tier_quantity_from_valid_from UNIQUE (code, tier, quantity_from, valid_from)
);
INSERT INTO "price_rows" VALUES(1,'item-0','Cut key','keys','goods',450,80,'',1,'2026-01-01',NULL);
CREATE TABLE price_tiers (
	id INTEGER NOT NULL, 
	name VARCHAR(40) NOT NULL, 
	percent_off VARCHAR(16) NOT NULL, 
	version INTEGER NOT NULL, 
	CONSTRAINT pk_price_tiers PRIMARY KEY (id), 
	CONSTRAINT uq_price_tiers_name UNIQUE (name)
);
INSERT INTO "price_tiers" VALUES(1,'Tier 0','10',1);
CREATE TABLE quote_revisions (
	id INTEGER NOT NULL, 
	job_id INTEGER NOT NULL, 
	revision INTEGER NOT NULL, 
	issued_at DATETIME NOT NULL, 
	issued_by_id INTEGER NOT NULL, 
	valid_until DATE NOT NULL, 
	snapshot TEXT NOT NULL, 
	sha256 VARCHAR(64) NOT NULL, 
	subtotal_cents INTEGER NOT NULL, 
	total_cents INTEGER NOT NULL, 
	cost_cents INTEGER NOT NULL, 
	request_token VARCHAR(64) NOT NULL, 
	CONSTRAINT pk_quote_revisions PRIMARY KEY (id), 
	CONSTRAINT fk_quote_revisions_issued_by_id_users FOREIGN KEY(issued_by_id) REFERENCES users (id), 
	CONSTRAINT fk_quote_revisions_job_id_jobs FOREIGN KEY(job_id) REFERENCES jobs (id), 
	CONSTRAINT uq_quote_revisions_job_id_revision UNIQUE (job_id, revision), 
	CONSTRAINT uq_quote_revisions_request_token UNIQUE (request_token)
);
INSERT INTO "quote_revisions" VALUES(1,5,1,'2026-11-02 09:00:00.000000',9,'2026-12-02','{}','0000000000000000000000000000000000000000000000000000000000000000',10000,10725,6000,'token-0');
CREATE TABLE sites (
	id INTEGER NOT NULL, 
	customer_id INTEGER NOT NULL, 
	name VARCHAR(120) NOT NULL, 
	address TEXT NOT NULL, 
	tax_place VARCHAR(80) NOT NULL, 
	version INTEGER NOT NULL, 
	CONSTRAINT pk_sites PRIMARY KEY (id), 
	CONSTRAINT fk_sites_customer_id_customers FOREIGN KEY(customer_id) REFERENCES customers (id), 
	CONSTRAINT uq_sites_customer_id_name UNIQUE (customer_id, name)
);
INSERT INTO "sites" VALUES(1,1,'The Flats','','',1);
INSERT INTO "sites" VALUES(2,4,'Hall 1','','',1);
INSERT INTO "sites" VALUES(3,5,'Hall 2','','',1);
INSERT INTO "sites" VALUES(4,7,'Hall 3','','',1);
INSERT INTO "sites" VALUES(5,13,'Hall 4','','',1);
INSERT INTO "sites" VALUES(6,16,'Hall 5','','',1);
CREATE TABLE tax_rules (
	id INTEGER NOT NULL, 
	place VARCHAR(80) NOT NULL, 
	rate_percent VARCHAR(16) NOT NULL, 
	goods_taxed BOOLEAN NOT NULL, 
	labour_taxed BOOLEAN NOT NULL, 
	valid_from DATE NOT NULL, 
	CONSTRAINT pk_tax_rules PRIMARY KEY (id), 
	CONSTRAINT uq_tax_rules_place_valid_from UNIQUE (place, valid_from)
);
INSERT INTO "tax_rules" VALUES(1,'Saltmarsh','7.25',1,0,'2026-01-01');
CREATE TABLE users (
	id INTEGER NOT NULL, 
	name VARCHAR(80) NOT NULL, 
	name_key VARCHAR(80) NOT NULL, 
	role VARCHAR(24) NOT NULL, 
	password_hash VARCHAR(200) NOT NULL, 
	active BOOLEAN NOT NULL, 
	session_stamp INTEGER NOT NULL, 
	created_at DATETIME NOT NULL, 
	version INTEGER NOT NULL, 
	CONSTRAINT pk_users PRIMARY KEY (id), 
	CONSTRAINT uq_users_name_key UNIQUE (name_key), 
	CONSTRAINT ck_users_role CHECK (role IN ('counter', 'bench', 'owner'))
);
INSERT INTO "users" VALUES(1,'Wren Fenwick','wren fenwick','owner','$argon2id$v=19$m=65536,t=3,p=4$xw+qEYoM6Cy+ok4yldYEYQ$JDJmB0+pfjuv4+e/TPWTTxp7bNEraZX1mrGESqBzKro',1,1,'2026-11-02 09:00:00.000000',1);
INSERT INTO "users" VALUES(2,'Person 1','person 1','counter','$argon2id$v=19$m=65536,t=3,p=4$xw+qEYoM6Cy+ok4yldYEYQ$JDJmB0+pfjuv4+e/TPWTTxp7bNEraZX1mrGESqBzKro',1,1,'2026-11-02 09:00:00.000000',1);
INSERT INTO "users" VALUES(3,'Person 2','person 2','counter','$argon2id$v=19$m=65536,t=3,p=4$xw+qEYoM6Cy+ok4yldYEYQ$JDJmB0+pfjuv4+e/TPWTTxp7bNEraZX1mrGESqBzKro',1,1,'2026-11-02 09:00:00.000000',1);
INSERT INTO "users" VALUES(4,'Person 3','person 3','counter','$argon2id$v=19$m=65536,t=3,p=4$xw+qEYoM6Cy+ok4yldYEYQ$JDJmB0+pfjuv4+e/TPWTTxp7bNEraZX1mrGESqBzKro',1,1,'2026-11-02 09:00:00.000000',1);
INSERT INTO "users" VALUES(5,'Person 4','person 4','counter','$argon2id$v=19$m=65536,t=3,p=4$xw+qEYoM6Cy+ok4yldYEYQ$JDJmB0+pfjuv4+e/TPWTTxp7bNEraZX1mrGESqBzKro',1,1,'2026-11-02 09:00:00.000000',1);
INSERT INTO "users" VALUES(6,'Person 5','person 5','counter','$argon2id$v=19$m=65536,t=3,p=4$xw+qEYoM6Cy+ok4yldYEYQ$JDJmB0+pfjuv4+e/TPWTTxp7bNEraZX1mrGESqBzKro',1,1,'2026-11-02 09:00:00.000000',1);
INSERT INTO "users" VALUES(7,'Person 6','person 6','counter','$argon2id$v=19$m=65536,t=3,p=4$xw+qEYoM6Cy+ok4yldYEYQ$JDJmB0+pfjuv4+e/TPWTTxp7bNEraZX1mrGESqBzKro',1,1,'2026-11-02 09:00:00.000000',1);
INSERT INTO "users" VALUES(8,'Person 7','person 7','counter','$argon2id$v=19$m=65536,t=3,p=4$xw+qEYoM6Cy+ok4yldYEYQ$JDJmB0+pfjuv4+e/TPWTTxp7bNEraZX1mrGESqBzKro',1,1,'2026-11-02 09:00:00.000000',1);
INSERT INTO "users" VALUES(9,'Person 8','person 8','counter','$argon2id$v=19$m=65536,t=3,p=4$xw+qEYoM6Cy+ok4yldYEYQ$JDJmB0+pfjuv4+e/TPWTTxp7bNEraZX1mrGESqBzKro',1,1,'2026-11-02 09:00:00.000000',1);
CREATE TABLE vault_checks (
	id INTEGER NOT NULL, 
	check_value VARCHAR(64) NOT NULL, 
	made_at DATETIME NOT NULL, 
	CONSTRAINT pk_vault_checks PRIMARY KEY (id)
);
INSERT INTO "vault_checks" VALUES(1,'cbcb7ad3bb3b769ae0e4e59f054d7a5437baf66e28c403a44695fb55f59612dd','2026-11-25 14:24:16.934093');
CREATE INDEX ix_customers_name ON customers (name);
CREATE INDEX ix_customers_phone_digits ON customers (phone_digits);
CREATE INDEX ix_login_attempts_address ON login_attempts (address);
CREATE INDEX ix_login_attempts_name_key ON login_attempts (name_key);
CREATE INDEX ix_price_rows_code ON price_rows (code);
CREATE INDEX ix_tax_rules_place ON tax_rules (place);
CREATE INDEX ix_catalogue_items_maker_id ON catalogue_items (maker_id);
CREATE INDEX ix_catalogue_items_part_number ON catalogue_items (part_number);
CREATE INDEX ix_contacts_customer_id ON contacts (customer_id);
CREATE INDEX ix_contacts_phone_digits ON contacts (phone_digits);
CREATE INDEX ix_keyways_code ON keyways (code);
CREATE INDEX ix_sites_customer_id ON sites (customer_id);
CREATE INDEX ix_sites_name ON sites (name);
CREATE INDEX ix_doors_site_id ON doors (site_id);
CREATE INDEX ix_jobs_customer_id ON jobs (customer_id);
CREATE INDEX ix_jobs_promised_on ON jobs (promised_on);
CREATE INDEX ix_jobs_site_id ON jobs (site_id);
CREATE INDEX ix_jobs_stage ON jobs (stage);
CREATE INDEX ix_key_systems_customer_id ON key_systems (customer_id);
CREATE INDEX ix_drafts_user_id ON drafts (user_id);
CREATE INDEX ix_events_job_id ON events (job_id);
CREATE INDEX ix_events_kind ON events (kind);
CREATE INDEX ix_events_subject ON events (subject);
CREATE INDEX ix_job_lines_job_id ON job_lines (job_id);
CREATE INDEX ix_job_lines_part_number ON job_lines (part_number);
CREATE INDEX ix_keysets_parent_id ON keysets (parent_id);
CREATE INDEX ix_keysets_symbol ON keysets (symbol);
CREATE INDEX ix_keysets_system_id ON keysets (system_id);
CREATE INDEX ix_payments_job_id ON payments (job_id);
CREATE INDEX ix_quote_revisions_job_id ON quote_revisions (job_id);
CREATE INDEX ix_cylinders_door_id ON cylinders (door_id);
CREATE INDEX ix_cylinders_job_id ON cylinders (job_id);
CREATE INDEX ix_cylinders_keyset_id ON cylinders (keyset_id);
CREATE INDEX ix_cylinders_part_number ON cylinders (part_number);
CREATE INDEX ix_keys_job_id ON keys (job_id);
CREATE INDEX ix_keys_keyset_id ON keys (keyset_id);
CREATE INDEX ix_cylinder_operators_cylinder_id ON cylinder_operators (cylinder_id);
CREATE INDEX ix_cylinder_operators_keyset_id ON cylinder_operators (keyset_id);
COMMIT;
