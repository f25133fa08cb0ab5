#pragma once
// What a command has to say, on stdout.
#include "settings/settings_json.h"
#include <functional>
#include <string>

namespace kitfold::offline {

/// What a command's answer is worth when stdout is closed or full.
enum class Answer {
    itself,      ///< the answer is what was asked for: io_failed is thrown
    about_files, ///< the files are there all the same: stderr says that the answer is lost, and no more
                 ///< happens
};

/// Control characters in names become question marks.
void print(const std::string& text, Answer answer = Answer::itself);
/// And then the text is dressed for a terminal.
void print(const std::string& text, Answer answer,
           const std::function<std::string(const std::string&)>& dress);
/// One object; with --json a command prints nothing else.
void print_json(const dsp::Json& json, Answer answer = Answer::itself);
/// After what went to stdout by itself.
void finish_printing(Answer answer);

} // namespace kitfold::offline
