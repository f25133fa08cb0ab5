// No output of any command is an input, another output, or a file that Kitfold did not write.
#include "offline/audio/audio_file.h"
#include "offline/files.h"
#include "offline/run_program.h"
#include "offline/session/outputs.h"
#include <catch2/catch.hpp>
#include <map>
#include <nlohmann/json.hpp>

using namespace kitfold;
using namespace kitfold::test;
using Catch::Contains;
using Json = nlohmann::ordered_json;
namespace fs = std::filesystem;

namespace {

constexpr int kWav24 = SF_FORMAT_WAV | SF_FORMAT_PCM_24;

/// Everything in a folder: where a link leads, what a file holds.
std::map<std::string, std::string> contents(const fs::path& folder) {
    std::map<std::string, std::string> out;
    for (const auto& entry : fs::recursive_directory_iterator(folder)) {
        const auto name = entry.path().lexically_relative(folder).string();
        out[name] = entry.is_symlink()     ? "-> " + fs::read_symlink(entry.path()).string()
                    : entry.is_directory() ? "folder"
                                           : bytes_of_file(entry.path());
    }
    return out;
}

/// One line, exit code 2, and the folder as it was.
std::string refused(const fs::path& folder, const std::vector<std::string>& arguments) {
    const auto before = contents(folder);
    const auto run = run_program(arguments);
    CAPTURE(arguments, run.err);
    CHECK(run.exit_code == 2);
    CHECK(run.out.empty());
    CHECK(run.err_lines() == 1);
    CHECK((contents(folder) == before));
    return run.err;
}

/// A folder with a session of two mics.
class Take {
public:
    Take() {
        write_sound(folder / "kick_in.wav", sine(60.0, 0.5, 0.5), kWav24);
        write_sound(folder / "snare.wav", sine(200.0, 0.25, 0.5), kWav24);
        write_text(folder / "session.json", session("kick_in.wav", "snare.wav"));
    }
    static std::string session(const std::string& first, const std::string& second) {
        const Json mics = {{{"name", "Kick in"}, {"role", "kick_in"}, {"file", first}},
                           {{"name", "Snare"}, {"role", "snare_top"}, {"file", second}}};
        return Json{{"kitfold_session", 1}, {"mics", mics}}.dump();
    }
    [[nodiscard]] std::string path(const std::string& name) const { return (folder / name).string(); }
    [[nodiscard]] std::vector<std::string> check(const std::string& report) const {
        return {"check", folder.path().string(), "--report", path(report)};
    }
    [[nodiscard]] std::vector<std::string> bounce(const std::string& output,
                                                  const std::string& stems = {}) const {
        std::vector<std::string> out{"bounce", folder.path().string(), "-o", path(output)};
        if (!stems.empty()) out.insert(out.end(), {"--stems", path(stems)});
        return out;
    }
    Folder folder;
};

/// As an encoder leaves it that writes to a pipe: total samples and MD5 of STREAMINFO are 0 (RFC 9639, 8.2).
void forget_length(const fs::path& flac) {
    auto bytes = bytes_of_file(flac);
    REQUIRE(bytes.substr(0, 4) == "fLaC");
    bytes[21] = static_cast<char>(bytes[21] & 0xf0);
    bytes.replace(22, 20, 20, '\0');
    write_text(flac, bytes);
}

std::vector<std::string> demo(const fs::path& folder, const std::string& mics = "8") {
    return {"demo", folder.string(), "--seconds", "2", "--mics", mics};
}

} // namespace

TEST_CASE("a report takes the place of nothing but a report", "[outputs]") {
    const Take take;
    fs::create_symlink("kick_in.wav", take.folder / "link.html");
    fs::create_hard_link(take.folder / "snare.wav", take.folder / "hard.html");
    fs::create_symlink("session.json", take.folder / "other.html");
    fs::create_symlink("not there", take.folder / "nowhere.html");
    write_text(take.folder / "mine.html", "<!DOCTYPE html>\n<p>notes</p>");
    const std::pair<const char*, const char*> outputs[] = {
        {"kick_in.wav", "is the recording"},     {"link.html", "is the recording"},
        {"hard.html", "is the recording"},       {"session.json", "is the session itself"},
        {"other.html", "is the session"},        {"nowhere.html", "leads nowhere"},
        {"mine.html", "is no check report that"}};
    for (const auto& [output, why] : outputs)
        CHECK_THAT(refused(take.folder.path(), take.check(output)), Contains(output) && Contains(why));

    CHECK(run_program(take.check("check.html")).exit_code < 2);
    CHECK(run_program(take.check("check.html")).exit_code < 2);
    write_text(take.folder / "check.html", bytes_of_file(take.folder / "check.html") + "<!-- my notes -->");
    CHECK_THAT(refused(take.folder.path(), take.check("check.html")), Contains("move it away"));
}

TEST_CASE("a bounce takes the place of an unchanged former one only", "[outputs]") {
    const Take take;
    const std::string extension = GENERATE(".wav", ".flac");
    const auto command = take.bounce("drums" + extension, "stems");
    REQUIRE(run_program(command).exit_code == 0);
    REQUIRE(run_program(command).exit_code == 0);
    const std::string changed =
        GENERATE("drums", "stems/01 Kick in", "drums.recall.json", "drums.recall.html");
    const auto file =
        take.folder / (changed + (changed.ends_with(".json") || changed.ends_with(".html") ? "" : extension));
    auto bytes = bytes_of_file(file);
    bytes[bytes.size() - 3] = static_cast<char>(bytes[bytes.size() - 3] ^ 1); // one bit is enough
    write_text(file, bytes);
    CHECK_THAT(refused(take.folder.path(), command),
               Contains(file.filename().string()) && Contains("Kitfold wrote"));
    write_text(file, "another's");
    refused(take.folder.path(), command);
    fs::remove(file);
    auto again = command;
    if (changed == "drums.recall.json") again.emplace_back("--force"); // whose is what it belonged to?
    CHECK(run_program(again).exit_code == 0);
    // a stem is no submix
    refused(take.folder.path(), take.bounce("stems/01 Kick in" + extension));
}

TEST_CASE("no two outputs of a bounce are one file", "[outputs]") {
    const Take take;
    fs::create_directory(take.folder / "real");
    fs::create_symlink("real", take.folder / "linked");
    CHECK_THAT(refused(take.folder.path(), take.bounce("st/01 Kick in.wav", "st")),
               Contains("01 Kick in.wav") && Contains("submix"));
    CHECK_THAT(refused(take.folder.path(), take.bounce("st/01 kick IN.wav", "st")), Contains("submix"));
    CHECK_THAT(refused(take.folder.path(), take.bounce("real/02 Snare.wav", "linked")), Contains("submix"));
    CHECK_THAT(refused(take.folder.path(), take.bounce("kick_in.wav")), Contains("is the recording"));
    fs::create_hard_link(take.folder / "kick_in.wav", take.folder / "real/01 Kick in.wav");
    CHECK_THAT(refused(take.folder.path(), take.bounce("drums.wav", "real")), Contains("is the recording"));
}

TEST_CASE("a FLAC that does not say how long it is is read to its end", "[outputs]") {
    const Take take;
    const auto sound = sine(60.0, 0.5, 3.0);
    write_sound(take.folder / "kick.flac", sound, SF_FORMAT_FLAC | SF_FORMAT_PCM_24);
    const auto expected = read_sound(take.folder / "kick.flac");
    forget_length(take.folder / "kick.flac");
    offline::AudioReader reader(take.folder / "kick.flac");
    CHECK(reader.info().frames == 3 * 48'000);
    std::vector<float> samples(3 * 48'000);
    float* plane = samples.data();
    CHECK(reader.read(&plane, samples.size()) == samples.size());
    CHECK(same(samples, expected));
    reader.seek(100'000);
    CHECK(reader.read(&plane, 1) == 1);
    CHECK(samples[0] == expected[100'000]);

    write_text(take.folder / "session.json", Take::session("kick.flac", "snare.wav"));
    REQUIRE(run_program(take.bounce("drums.wav")).exit_code == 0);
    SF_INFO info{};
    CHECK_FALSE(read_sound(take.folder / "drums.wav", &info).empty());
    CHECK(info.frames == 3 * 48'000);
    const auto check = run_program({"check", take.folder.path().string(), "--json"});
    REQUIRE(check.exit_code < 2);
    CHECK(Json::parse(check.out)["seconds"] == 3.0);
    fs::create_directory(take.folder / "new");
    fs::rename(take.folder / "kick.flac", take.folder / "new/kick.flac");
    const auto made = run_program({"new", take.path("new")});
    CHECK(made.exit_code == 0);
    CHECK_THAT(made.out, Contains("1 mics, 48000 Hz, 0:03"));
}

TEST_CASE("a FLAC without a length that can't be decoded is refused", "[outputs]") {
    const Take take;
    write_sound(take.folder / "kick.flac", sine(60.0, 0.5, 3.0), SF_FORMAT_FLAC | SF_FORMAT_PCM_24);
    forget_length(take.folder / "kick.flac");
    write_text(take.folder / "kick.flac", bytes_of_file(take.folder / "kick.flac").substr(0, 60));
    write_text(take.folder / "session.json", Take::session("kick.flac", "snare.wav"));
    CHECK_THAT(refused(take.folder.path(), take.bounce("drums.wav")), Contains("kick.flac"));
}

TEST_CASE("an audition writes over its own files, not through links onto others", "[outputs]") {
    const Folder folder;
    REQUIRE(run_program({"demo", (folder / "demo").string(), "--seconds", "8", "--mics", "8"}).exit_code ==
            0);
    const std::vector<std::string> command{"audition", (folder / "demo").string(), "--role", "snare_top",
                                           "-o",       (folder / "h").string()};
    const std::string name = GENERATE("open.wav", "kit_deadened.wav", "audition.html");
    fs::create_directory(folder / "h");
    SECTION("a link to an input") {
        fs::create_symlink("../demo/snare_top.wav", folder / "h" / name);
        CHECK_THAT(refused(folder.path(), command), Contains(name) && Contains("is the recording"));
    }
    SECTION("a hard link to an input") {
        fs::create_hard_link(folder / "demo/session.json", folder / "h" / name);
        CHECK_THAT(refused(folder.path(), command), Contains(name) && Contains("is the session"));
    }
    SECTION("another's file, and a link to it") {
        write_text(folder / "mine", "mine");
        fs::create_symlink("../mine", folder / "h" / name);
        CHECK_THAT(refused(folder.path(), command), Contains(name) && Contains("move it away"));
    }
    SECTION("the folder itself is a link to the take") {
        fs::remove(folder / "h");
        fs::create_symlink("demo", folder / "h");
        write_text(folder / "demo" / name, "mine");
        CHECK_THAT(refused(folder.path(), command), Contains(name) && Contains("move it away"));
    }
    SECTION("its own") {
        REQUIRE(run_program(command).exit_code == 0);
        if (name != "open.wav") return; // once is enough
        CHECK(run_program(command).exit_code == 0);
        write_sound(folder / "h" / name, sine(100.0, 0.5, 0.1), kWav24);
        CHECK_THAT(refused(folder.path(), command), Contains(name));
    }
}

TEST_CASE("a demo deletes and replaces only what a demo wrote", "[outputs]") {
    const Folder folder;
    SECTION("a truth.json by somebody else names recordings") {
        write_sound(folder / "my kick.wav", sine(60.0, 0.5, 0.1), kWav24);
        write_text(folder / "truth.json", R"({"kitfold_truth": 1, "mics": [{"file": "my kick.wav"}]})");
        CHECK_THAT(refused(folder.path(), demo(folder.path())), Contains("truth.json"));
    }
    SECTION("a truth.json that was edited") {
        REQUIRE(run_program(demo(folder.path())).exit_code == 0);
        auto truth = bytes_of_file(folder / "truth.json");
        write_text(folder / "my.wav", "mine");
        truth.replace(truth.find("kick_in.wav"), 11, "my.wav");
        write_text(folder / "truth.json", truth);
        CHECK_THAT(refused(folder.path(), demo(folder.path())), Contains("is there already"));
    }
    SECTION("a recording in the place of a demo's, with ten mics before and eight now") {
        REQUIRE(run_program(demo(folder.path(), "10")).exit_code == 0);
        const auto mine = sine(60.0, 0.5, 0.1);
        write_sound(folder / "hihat.wav", mine, kWav24); // eight mics leave it out
        REQUIRE(run_program(demo(folder.path(), "8")).exit_code == 0);
        CHECK(fs::exists(folder / "hihat.wav"));
        CHECK_FALSE(fs::exists(folder / "room_mono.wav"));
        write_sound(folder / "kick_in.wav", mine, kWav24);
        CHECK_THAT(refused(folder.path(), demo(folder.path())), Contains("kick_in.wav"));
    }
    SECTION("a session of somebody's own") {
        write_text(folder / "session.json", Take::session("a.wav", "b.wav"));
        CHECK_THAT(refused(folder.path(), demo(folder.path())), Contains("session.json"));
    }
}

TEST_CASE("a demo's session that was edited is kept, once", "[outputs]") {
    const Folder folder;
    REQUIRE(run_program(demo(folder.path())).exit_code == 0);
    const auto first = bytes_of_file(folder / "session.json");
    REQUIRE(run_program(demo(folder.path())).exit_code == 0);
    CHECK_FALSE(fs::exists(folder / "session.backup.json")); // nothing to keep
    auto session = Json::parse(first);
    session["mics"][0]["level_db"] = -7.5;
    for (int round = 0; round < 2; ++round) {
        write_text(folder / "session.json", session.dump());
        const auto run = run_program(demo(folder.path()));
        REQUIRE(run.exit_code == 0);
        CHECK_THAT(run.out, Contains("session.backup.json"));
        CHECK(bytes_of_file(folder / "session.json") == first);
        CHECK(bytes_of_file(folder / "session.backup.json") == session.dump());
        CHECK(entries_in(folder) == 11);
    }
    session["mics"][0]["level_db"] = -8.0;
    write_text(folder / "session.json", session.dump());
    REQUIRE(run_program(demo(folder.path())).exit_code == 0);
    CHECK(bytes_of_file(folder / "session.backup-2.json") == session.dump());
    fs::rename(folder / "session.json", folder / "elsewhere.json");
    fs::create_symlink("elsewhere.json", folder / "session.json");
    refused(folder.path(), demo(folder.path()));
}

TEST_CASE("a seal fits the file it was made for and no other", "[outputs]") {
    using offline::Product;
    const Folder folder;
    const auto page = offline::sealed_page("<!doctype html>\n<p>one</p>\n", Product::report);
    write_text(folder / "page", page);
    CHECK(offline::is_intact(folder / "page", Product::report));
    CHECK_FALSE(offline::is_intact(folder / "page", Product::recall));
    write_text(folder / "page", page + " ");
    CHECK_FALSE(offline::is_intact(folder / "page", Product::report));
    write_text(folder / "page", "kitfold-report-");
    CHECK_FALSE(offline::is_intact(folder / "page", Product::report));
    CHECK_FALSE(offline::is_intact(folder / "nothing", Product::report));
    CHECK_FALSE(offline::is_intact(folder.path(), Product::report));
    // the sum is that of xxh128sum over the file with zeros in the seal's place
    write_text(folder / "page",
               "<!doctype html>\n<!-- " + offline::blank_seal(Product::report) + " -->\n<p>one</p>\n");
    const auto sum = folder / "sum";
    const auto command = "xxh128sum <'" + (folder / "page").string() + "' >'" + sum.string() + "'";
    REQUIRE(std::system(command.c_str()) == 0);
    CHECK_THAT(page, Contains("kitfold-report-" + bytes_of_file(sum).substr(0, 32)));
}

TEST_CASE("a bounce takes the place of a submix of its own session only, unless it is told to", "[outputs]") {
    const Take take;
    const auto again = [&](bool force) {
        auto command = take.bounce("drums.wav");
        if (force) command.emplace_back("--force");
        return command;
    };
    REQUIRE(run_program(again(false)).exit_code == 0);
    CHECK(run_program(again(false)).exit_code == 0); // its own
    SECTION("another session's") {
        fs::create_directory(take.folder / "other");
        write_text(take.folder / "other" / "session.json", Take::session("../kick_in.wav", "../snare.wav"));
        const std::vector<std::string> other{"bounce", take.path("other"), "-o", take.path("drums.wav")};
        CHECK_THAT(refused(take.folder.path(), other), Contains("a submix of") && Contains("--force"));
        auto forced = other;
        forced.emplace_back("--force");
        CHECK(run_program(forced).exit_code == 0);
    }
    SECTION("the recall sheet is gone") {
        fs::remove(take.folder / "drums.recall.json");
        CHECK_THAT(refused(take.folder.path(), again(false)),
                   Contains("recall sheet is not beside it") && Contains("--force"));
        CHECK(run_program(again(true)).exit_code == 0);
    }
    SECTION("the recall sheet is another file's") {
        REQUIRE(run_program(take.bounce("second.wav")).exit_code == 0);
        fs::rename(take.folder / "second.wav", take.folder / "drums.wav");
        write_text(take.folder / "second.recall.html", "");
        auto session = Json::parse(bytes_of_file(take.folder / "session.json"));
        session["mics"][0]["level_db"] = -3;
        write_text(take.folder / "session.json", session.dump());
        REQUIRE(run_program(take.bounce("third.wav")).exit_code == 0);
        fs::rename(take.folder / "third.wav", take.folder / "drums.wav"); // not what the sheet sums up
        CHECK_THAT(refused(take.folder.path(), again(false)), Contains("that of another file"));
    }
    SECTION("what Kitfold did not write is never written over") {
        write_text(take.folder / "drums.wav", "somebody's");
        CHECK_THAT(refused(take.folder.path(), again(true)), Contains("no submix that Kitfold wrote"));
    }
}
